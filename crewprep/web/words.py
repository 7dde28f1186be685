"""Numbers and states as people say them."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.timesince import timesince

from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.sheets.markers import Change, MarkerInput
from crewprep.sheets.models import MarkerFields

NEAR_BEAT = 0.02
"""A move within this part of a beat of a whole number of beats is told as that number (10 ms at 120 BPM)."""


def count_of(number: int, one: str, many: str = "") -> str:
    """``1 track``, ``2 tracks``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def duration(time_us: int | None) -> str:
    """Minutes and seconds, ``3:45``; empty for None."""
    if time_us is None:
        return ""
    return clock(time_us, digits=0)


def tempo(bpm: float) -> str:
    """A tempo to the hundredth, no longer than it needs to be: ``128``, ``100.5``, ``174.02``."""
    return f"{bpm:.2f}".rstrip("0").rstrip(".")


def level(lufs: float) -> str:
    """A level to the tenth, with a real minus: ``−9.5``."""
    return f"{lufs:.1f}".replace("-", "−")


def percent(part: float) -> str:
    """A part of one to the hundredth: ``80 %``."""
    return f"{round(part * 100)} %"


def ago(then: dt.datetime) -> str:
    """How long ago, in one or two units: ``just now``, ``2 hours, 5 minutes ago``."""
    if timezone.now() - then < dt.timedelta(minutes=1):
        return "just now"
    return f"{timesince(then)} ago"


def minutes_words(minutes: float) -> str:
    """An estimate of work, to five minutes beyond the first ten: ``7 min``, ``1 h 35 min``, ``12 h``."""
    whole = round(minutes) if minutes < 10 else 5 * round(minutes / 5)
    hours, rest = divmod(whole, 60)
    return " ".join([*([f"{hours} h"] if hours else []), *([f"{rest} min"] if rest or not hours else [])])


def days_words(days: int) -> str:
    """How far a day is from today: ``today``, ``tomorrow``, ``in 4 days``, ``yesterday``, ``4 days ago``."""
    near = {0: "today", 1: "tomorrow", -1: "yesterday"}
    return near.get(days) or (f"in {days} days" if days > 0 else f"{-days} days ago")


def hour(moment: dt.datetime) -> str:
    """A time of today by the clocks of the service: ``21:30``."""
    return str(date_format(timezone.localtime(moment), "H:i"))


def moment_words(moment: dt.datetime, zone: dt.tzinfo) -> str:
    """A moment by the clocks of a zone: ``4 June 2027, 18:00``."""
    local = moment.astimezone(zone)
    return f"{local.day} {local:%B %Y, %H:%M}"


def key_words(name: str) -> str:
    """A key as a musician says it: ``F sharp minor`` for ``F# minor``."""
    tonic, _, mode = name.partition(" ")
    spoken = {"#": " sharp", "b": " flat"}
    return f"{tonic[:1]}{''.join(spoken.get(sign, sign) for sign in tonic[1:])} {mode}".strip()


def apart_words(grid: MusicalTime, from_us: int, to_us: int) -> str:
    """How far two times lie apart: ``4 bars``, ``1 bar and 2 beats``, ``2.37 beats``, ``12 ms``."""
    apart_us = abs(to_us - from_us)
    beats = 0.0 if grid.timed else abs(grid.position(to_us) - grid.position(from_us))
    whole = _whole_beats(grid, beats)
    if whole:
        return whole
    if beats >= 1:
        return f"{beats:.2f} beats"
    if apart_us >= 1_000_000:
        return f"{apart_us / 1_000_000:.3f} s"
    return f"{apart_us / 1000:.0f} ms" if apart_us >= 1000 else "less than a millisecond"


def distance_words(grid: MusicalTime, from_us: int, to_us: int) -> str:
    """How far and which way: ``4 bars later``, ``1 bar and 2 beats earlier``, ``12 ms later``; empty for none."""
    if from_us == to_us:
        return ""
    return f"{apart_words(grid, from_us, to_us)} {'later' if to_us > from_us else 'earlier'}"


def length_words(grid: MusicalTime, marker: MarkerFields | MarkerInput) -> str:
    """The length of a loop: ``4 bars``, ``1 bar and 3 beats``, ``1.500 s``; empty for a point."""
    if marker.end_us is None:
        return ""
    if grid.timed:
        return f"{(marker.end_us - marker.start_us) / 1_000_000:.3f} s"
    beats = grid.position(marker.end_us) - grid.position(marker.start_us)
    return _whole_beats(grid, beats) or f"{beats:.2f} beats"


def _whole_beats(grid: MusicalTime, beats: float) -> str:
    """``4 bars``, ``2 beats``, ``1 bar and 2 beats``; empty where it is not a whole number of beats."""
    whole = round(beats)
    if not whole or abs(beats - whole) > NEAR_BEAT:
        return ""
    bars, rest = divmod(whole, grid.beats_per_bar)
    return " and ".join([*([count_of(bars, "bar")] if bars else []), *([count_of(rest, "beat")] if rest else [])])


def change_words(grid: MusicalTime, change: Change) -> str:
    """What happened to a slot in one phrase."""
    if change.kind in ("added", "dropped", "kept"):
        return change.kind
    assert change.old is not None
    assert change.new is not None
    labels = ""
    if change.old.label != change.new.label:
        labels = f"label “{change.new.label}”" if change.new.label else f"label “{change.old.label}” taken away"
    if change.kind == "relabelled":
        return labels
    said = []
    moved = distance_words(grid, change.old.start_us, change.new.start_us)
    if moved:
        said.append(f"moved {moved}")
    old_length, new_length = length_words(grid, change.old), length_words(grid, change.new)
    if old_length != new_length:
        said.append(f"length {new_length or 'none'} instead of {old_length or 'none'}")
    elif not moved:
        said.append("end moved a little")
    if labels:
        said.append(labels)
    return ", ".join(said)


def crate_progress(tracks: int, sheets: int) -> str:
    """How far a crate is, in one phrase."""
    if tracks == 0:
        return "Empty so far"
    if sheets == 0:
        return "No sheet approved yet"
    if sheets == tracks:
        return "Every track has its sheet"
    return f"{sheets} of {tracks} sheets approved"


def rate_words(rate: int) -> str:
    """``44.1 kHz``."""
    return f"{rate / 1000:g} kHz"


def offset_words(offset_us: int) -> str:
    """``12.5 ms after`` (or before) time zero."""
    return f"{abs(offset_us) / 1000:.1f} ms {'after' if offset_us > 0 else 'before'}"
