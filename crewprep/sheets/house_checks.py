"""House checks: each rule of a convention and of sound practice, and what breaks it (pure; no database).

A check has a name and a severity, which the crew sets. A finding says in one sentence what is wrong with one slot and,
where that is clear, holds the marker as it should be. Rules of order and runway are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import floor
from typing import Literal, Protocol

from analysis_worker.core.convention import label_key
from analysis_worker.core.results import TrackAnalysis
from crewprep.analysis.musical_time import OFF_GRID_US, MusicalTime, clock
from crewprep.conventions.comparison import labels_in_words
from crewprep.sheets.markers import MarkerInput

Severity = Literal["blocker", "warning", "note", "off"]
SEVERITIES: tuple[Severity, ...] = ("blocker", "warning", "note", "off")

NEAR_BEATS = 0.05
EVEN_RUNWAY_BARS = 4
NATURAL_SEAM = 0.9
"""Share of the track's own bar lines that step less than a loop's seam: up to here a seam sounds natural."""
_SAME_LOOP_US = 30_000
_HEARD_VOICE = 0.5
_CLEARLY_STRONGER = 0.1
_AT_PHRASE_START = ("mix-in", "breakdown", "drop", "outro")


class SlotLike(Protocol):
    """What a check needs to know of a slot."""

    @property
    def number(self) -> int: ...
    @property
    def name(self) -> str: ...
    @property
    def function(self) -> str: ...
    @property
    def which(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def loop_bars(self) -> int | None: ...
    @property
    def lead_bars(self) -> int: ...
    @property
    def snap_beats(self) -> float: ...
    @property
    def required(self) -> bool: ...
    @property
    def labels(self) -> Sequence[str]: ...


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check found at a slot; ``fix`` is the marker as it should be, where that is clear."""

    check: str
    severity: Severity
    slot: int
    sentence: str
    fix: MarkerInput | None = None


@dataclass(frozen=True, slots=True)
class _Found:
    slot: int
    sentence: str
    fix: MarkerInput | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is checked: markers by slot, the slots, the facts and the grid."""

    markers: Mapping[int, MarkerInput]
    slots: Mapping[int, SlotLike]
    result: TrackAnalysis
    grid: MusicalTime

    def filled(self) -> Iterator[tuple[SlotLike, MarkerInput]]:
        """The slots of the convention that have a marker, in order."""
        for number, slot in sorted(self.slots.items()):
            if number in self.markers:
                yield slot, self.markers[number]

    def at(self, slot: SlotLike, marker: MarkerInput) -> float:
        """Position in beats of what the marker is about: it may stand some bars before it."""
        return self.grid.position(marker.start_us) + slot.lead_bars * self.grid.beats_per_bar

    def moved(self, slot: SlotLike, marker: MarkerInput, position: float) -> MarkerInput:
        """The marker with what it is about at another position; a loop keeps its length in beats."""
        start = position - slot.lead_bars * self.grid.beats_per_bar
        end_us = marker.end_us
        if end_us is not None:
            length = self.grid.position(end_us) - self.grid.position(marker.start_us)
            end_us = min(self.grid.time(start + length), self.grid.duration_us)
        return replace(marker, start_us=min(max(0, self.grid.time(start)), self.grid.duration_us - 1), end_us=end_us)


def on_the_grid(sheet: Sheet) -> Iterator[_Found]:
    """Each marker stands on the fraction of a beat (or the bar line) that its slot snaps to."""
    if sheet.grid.timed:
        return
    for slot, marker in sheet.filled():
        at = sheet.grid.position(marker.start_us)
        if slot.snap_beats >= 4:
            nearest = float(min(sheet.grid.downbeats, key=lambda line: abs(line - at)))
        else:
            nearest = floor(at / slot.snap_beats + 0.5) * slot.snap_beats
        off_us = marker.start_us - sheet.grid.time(nearest)
        if abs(off_us) >= OFF_GRID_US:
            fix = sheet.moved(slot, marker, nearest + slot.lead_bars * sheet.grid.beats_per_bar)
            yield _Found(slot.number, f"It stands {_milliseconds(off_us)} the grid.", fix)


def at_a_phrase_start(sheet: Sheet) -> Iterator[_Found]:
    """Mix-in, breakdowns, drops and outro begin a phrase."""
    if sheet.grid.timed:
        return
    for slot, marker in sheet.filled():
        if slot.function not in _AT_PHRASE_START:
            continue
        at = sheet.at(slot, marker)
        nearest = min(sheet.grid.phrases, key=lambda line: abs(line - at))
        if abs(nearest - at) > NEAR_BEATS:
            said = sheet.grid.address(sheet.grid.time(nearest))
            yield _Found(
                slot.number,
                f"It is not at the start of a phrase; the nearest is {said}.",
                sheet.moved(slot, marker, nearest),
            )


def required_slots(sheet: Sheet) -> Iterator[_Found]:
    """Slots that the convention requires are filled."""
    for number, slot in sorted(sheet.slots.items()):
        if slot.required and number not in sheet.markers:
            yield _Found(number, "The convention requires it, and it is empty.")


def in_order(sheet: Sheet) -> Iterator[_Found]:
    """A breakdown comes before its build-up, that before its drop; the second breakdown follows the first drop."""
    starts = {(slot.function, slot.which): (slot, marker.start_us) for slot, marker in sheet.filled()}
    pairs = [
        *((("build-up", which), ("drop", which)) for which in ("first", "second", "last", "strongest")),
        *((("breakdown", which), ("build-up", which)) for which in ("first", "second", "last")),
        (("drop", "first"), ("breakdown", "second")),
        (("mix-in", "first"), ("exit loop", "first")),
    ]
    for early, late in pairs:
        if early in starts and late in starts and starts[early][1] >= starts[late][1]:
            slot, other = starts[early][0], starts[late][0]
            yield _Found(slot.number, f"It must come before slot {other.number}, {other.name}.")


def even_runway(sheet: Sheet) -> Iterator[_Found]:
    """From a breakdown or build-up it is a multiple of four bars to the drop that follows."""
    if sheet.grid.timed:
        return
    drops = sorted(sheet.at(slot, marker) for slot, marker in sheet.filled() if slot.function == "drop")
    for slot, marker in sheet.filled():
        if slot.function not in ("breakdown", "build-up"):
            continue
        at = sheet.at(slot, marker)
        drop = next((one for one in drops if one > at), None)
        if drop is None:
            continue
        bars = (drop - at) / sheet.grid.beats_per_bar
        even = EVEN_RUNWAY_BARS * round(bars / EVEN_RUNWAY_BARS)
        if abs(bars - even) > NEAR_BEATS:
            yield _Found(
                slot.number, f"It is {bars:.4g} bars before the drop, which is no multiple of {EVEN_RUNWAY_BARS}."
            )


def loop_length(sheet: Sheet) -> Iterator[_Found]:
    """A loop is as long as the convention says."""
    if sheet.grid.timed:
        return
    for slot, marker in sheet.filled():
        if marker.end_us is None or not slot.loop_bars:
            continue
        bars = (sheet.grid.position(marker.end_us) - sheet.grid.position(marker.start_us)) / sheet.grid.beats_per_bar
        if abs(bars - slot.loop_bars) * sheet.grid.beats_per_bar > NEAR_BEATS:
            end_us = sheet.grid.loop_end(marker.start_us, slot.loop_bars)
            yield _Found(
                slot.number, f"The loop lasts {bars:.4g} bars where the convention asks for {slot.loop_bars}.",
                replace(marker, end_us=end_us),
            )  # fmt: skip


def clean_seam(sheet: Sheet) -> Iterator[_Found]:
    """Where the analysis measured a loop's seam, it is as natural as what the music does anyway."""
    for slot, marker in sheet.filled():
        for loop in sheet.result.loops:
            apart = max(abs(loop.start_us - marker.start_us), abs(loop.end_us - (marker.end_us or 0)))
            if apart <= _SAME_LOOP_US and loop.rank > NATURAL_SEAM:
                yield _Found(
                    slot.number, "Its seam can be heard: it steps further than nearly all of the track's bar lines."
                )


def no_voice(sheet: Sheet) -> Iterator[_Found]:
    """Nobody sings in the loop that one leaves by."""
    for slot, marker in sheet.filled():
        if slot.function != "exit loop" or marker.end_us is None:
            continue
        for voice in sheet.result.voice:
            if voice.confidence >= _HEARD_VOICE and voice.start_us < marker.end_us and voice.end_us > marker.start_us:
                heard = clock(max(voice.start_us, marker.start_us), digits=0)
                yield _Found(slot.number, f"A voice may be in the loop, from {heard}.")
                break


def strongest_drop(sheet: Sheet) -> Iterator[_Found]:
    """The slot of the strongest drop stands on the strongest drop."""
    if not sheet.result.drops:
        return
    best = max(sheet.result.drops, key=lambda drop: drop.strength)
    for slot, marker in sheet.filled():
        if slot.function != "drop" or slot.which != "strongest":
            continue
        at, there = sheet.at(slot, marker), sheet.grid.position(best.start_us)
        mine = min(sheet.result.drops, key=lambda drop: abs(sheet.grid.position(drop.start_us) - at))
        if mine is not best and best.strength - mine.strength >= _CLEARLY_STRONGER:
            said = sheet.grid.address(best.start_us)
            yield _Found(
                slot.number, f"The analysis hears a stronger drop at {said}.", sheet.moved(slot, marker, there)
            )


def a_beat_apart(sheet: Sheet) -> Iterator[_Found]:
    """Two markers stand a beat apart or more, unless both name the same drop."""
    rows = sorted(sheet.filled(), key=lambda row: row[1].start_us)
    unit = "second" if sheet.grid.timed else "beat"
    for (slot, marker), (other, later) in pairwise(rows):
        beats = sheet.grid.position(later.start_us) - sheet.grid.position(marker.start_us)
        same = slot.function == other.function and marker.start_us == later.start_us
        if beats < 1 - NEAR_BEATS and not same:
            yield _Found(other.number, f"It stands less than a {unit} from slot {slot.number}, {slot.name}.")


def labelled(sheet: Sheet) -> Iterator[_Found]:
    """A free slot says what it marks, and where the convention agrees on labels, a marker has one of them."""
    for slot, marker in sheet.filled():
        fault = label_fault(slot, marker.label)
        if fault:
            yield _Found(slot.number, fault)


def label_fault(slot: SlotLike, label: str) -> str:
    """What is wrong with a label in a slot, in a sentence; empty where nothing is."""
    text = label.strip()
    if not slot.labels:
        return "It has no label, so nobody knows what it marks." if slot.function == "free" and not text else ""
    if label_key(text) in map(label_key, slot.labels):
        return ""
    asked = f"The convention asks for the label {labels_in_words(slot.labels)}"
    return f"{asked}, not “{text}”." if text else f"{asked}, and it has none."


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its code, its name on pages, what it asks, and how severe it is unless the crew says otherwise."""

    code: str
    name: str
    severity: Severity
    run: Callable[[Sheet], Iterator[_Found]]

    @property
    def asks(self) -> str:
        """What it asks for, in a sentence."""
        return (self.run.__doc__ or "").strip()


CHECKS: tuple[Check, ...] = (
    Check("required", "Required slots", "blocker", required_slots),
    Check("order", "Order", "blocker", in_order),
    Check("grid", "On the grid", "warning", on_the_grid),
    Check("phrase", "Start of a phrase", "warning", at_a_phrase_start),
    Check("loop-length", "Loop length", "warning", loop_length),
    Check("seam", "Seam", "warning", clean_seam),
    Check("voice", "No voice in the exit loop", "warning", no_voice),
    Check("strongest", "Strongest drop", "note", strongest_drop),
    Check("runway", "Runway", "note", even_runway),
    Check("apart", "A beat apart", "note", a_beat_apart),
    Check("label", "Label as agreed", "note", labelled),
)


def check_sheet(
    markers: Iterable[MarkerInput],
    slots: Sequence[SlotLike],
    result: TrackAnalysis,
    severities: Mapping[str, Severity],
) -> list[Finding]:
    """What the checks find, the most severe first, then by slot; ``severities`` are those that the crew has set."""
    sheet = Sheet(
        {marker.slot: marker for marker in markers},
        {slot.number: slot for slot in slots},
        result,
        MusicalTime.of(result),
    )
    findings = [
        Finding(check.code, severity, found.slot, found.sentence, found.fix)
        for check in CHECKS
        for severity in [severities.get(check.code, check.severity)]
        if severity != "off"
        for found in check.run(sheet)
    ]
    return sorted(findings, key=lambda finding: (SEVERITIES.index(finding.severity), finding.slot))


def _milliseconds(off_us: int) -> str:
    return f"{abs(off_us) / 1000:.0f} ms {'after' if off_us > 0 else 'before'}"
