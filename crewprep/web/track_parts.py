"""What the templates ``tracks/_rows.html``, ``_player.html`` and ``_facts.html`` are given, as plain values.

Any page that shows a track may use them: ``rows_context`` for the phrase rows (old markers beside new ones where both
are given), ``player_context`` for listening, ``facts_of`` for what was measured, in words.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.urls import reverse

from analysis_worker.core.errors import MESSAGES as AUDIO_MESSAGES
from analysis_worker.core.results import TrackAnalysis
from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crews.models import Membership
from crewprep.sheets.models import DraftMarker, MarkerFields
from crewprep.tracks.models import Copy, Track
from crewprep.web.rows import RowMarker, certainty, lay_out
from crewprep.web.slots import badge
from crewprep.web.words import count_of, key_words, length_words

LISTENING_LUFS = -18.0
"""Level that tracks are brought to for listening: our choice, within the -14 to -23 LUFS of common practice."""

_FEW_SEGMENTS = 6


@dataclass(frozen=True, slots=True)
class Fact:
    """One measured thing: a word, its value, and what else there is to say."""

    word: str
    value: str
    more: str = ""


def rows_context(
    *,
    analysis: Analysis,
    version: ConventionVersion,
    markers: Iterable[MarkerFields],
    old_markers: Iterable[MarkerFields] = (),
    kept: Collection[int] = (),
    remarks: Mapping[int, Sequence[tuple[str, str]]] | None = None,
    changes: Mapping[int, str] | None = None,
    doubted: Collection[int] = (),
    target: str = "#slot-",
    sections: bool = True,
    old_word: str = "Before",
) -> dict[str, Any]:
    """``rows`` and ``rows_data`` for ``tracks/_rows.html``.

    ``old_markers`` are drawn as ghosts, slots in ``kept`` as standing where they stood; ``remarks`` (who said what of
    which slot) stand in the margin, ``changes`` (what happened to a slot) beside its marker. Drafted markers of slots
    in ``doubted`` are pencilled as unsure ones are. Without scripts a marker is a link to ``target`` and its slot's
    number. Without ``sections`` nothing tells where they begin; ``old_word`` is what a ghost is called.
    """
    result = analysis.result if sections else replace(analysis.result, sections=())
    grid = MusicalTime.of(result)
    slots = {slot.number: slot for slot in version.slots.all()}
    drawn = [
        replace(row, remarks=tuple((remarks or {}).get(row.slot, ())), note=(changes or {}).get(row.slot) or row.note)
        for marker in markers
        for side in ["kept" if marker.slot in kept else "new"]
        for row in [_drawn(marker, slots, grid, side=side, target=target, doubted=doubted)]
    ]
    new = {marker.slot for marker in drawn}
    ghosts = [
        replace(row, name=f"{old_word}: {row.name}", note="" if row.slot in new else (changes or {}).get(row.slot, ""))
        for marker in old_markers
        for row in [_drawn(marker, slots, grid, side="old", target=target)]
    ]
    page = lay_out(result, [*drawn, *ghosts])
    return {"rows": page, "rows_data": page.to_script()}


def player_context(member: Membership, track: Track, analysis: Analysis, copy: Copy) -> dict[str, Any]:
    """``audio_url``, ``clip_url`` and ``peaks_url`` (empty while there is no listening copy) and ``listening_gain_db``
    for ``tracks/_player.html``."""
    where = [member.crew.slug, track.pk]
    url = reverse("track-audio", args=where) if copy.proxy_key else ""
    clips = reverse("track-clip", args=[*where, 0, 1]).removesuffix("0-1.wav") if copy.proxy_key else ""
    peaks = reverse("track-peaks", args=where) if copy.peaks_key else ""
    gain_db = gain_for(analysis.loudness_lufs, copy)
    return {"audio_url": url, "clip_url": clips, "peaks_url": peaks, "listening_gain_db": gain_db}


def gain_for(loudness_lufs: float | None, copy: Copy) -> float:
    """What brings a copy of a track to the common listening level, in dB; 0 for silence."""
    return 0.0 if loudness_lufs is None else round(LISTENING_LUFS - loudness_lufs - copy.gain_db, 2)


def slots_data(version: ConventionVersion) -> list[dict[str, Any]]:
    """The slots as the scripts read them."""
    return [
        {
            "number": slot.number,
            "name": slot.name,
            "kind": slot.kind,
            "loop_bars": slot.loop_bars,
            "snap_beats": slot.snap_beats,
            "badge": {"class": look.colour_class, "path": look.path, "text_y": look.text_y},
        }
        for slot in version.slots.all()
        for look in [badge(slot)]
    ]


def marker_name(marker: MarkerFields, slot: Slot | None, grid: MusicalTime) -> str:
    """``Slot 4, First drop: 13.1.1, 3:00.000, fairly sure, low end returns``."""
    said = [grid.address(marker.start_us)]
    if not grid.timed:
        said.append(clock(marker.start_us))
    length = length_words(grid, marker)
    if length:
        said.append(f"loop of {length}")
    if isinstance(marker, DraftMarker):
        said += [certainty(marker.confidence), marker.reason]
    label = f" “{marker.label}”" if marker.label else ""
    return f"Slot {marker.slot}, {slot.name if slot else 'not in the convention'}{label}: {', '.join(said)}"


def facts_of(result: TrackAnalysis, copy: Copy | None = None) -> list[Fact]:
    """What was measured, in the order in which people ask for it."""
    facts = [_tempo(result), Fact("Length", clock(result.duration_us, digits=0)), _key(result)]
    if result.loudness_lufs is None or result.true_peak_dbtp is None:
        facts.append(Fact("Loudness", "silent"))
    else:
        facts.append(Fact("Loudness", f"{signed(result.loudness_lufs)} LUFS"))
        over = result.true_peak_dbtp > 0
        facts.append(
            Fact("True peak", f"{signed(result.true_peak_dbtp)} dBTP", "over full scale, may distort" if over else "")
        )
    if result.tempo_bpm is not None:
        facts.append(
            Fact("Grid", f"{count_of(result.beats_per_bar, 'beat')} a bar", f"{certainty(result.grid_confidence)}, "
                 f"bar lines {certainty(result.downbeat_confidence)}, phrases {certainty(result.phrase_confidence)}")
        )  # fmt: skip
    if copy is not None and copy.decoder:
        rate = f"{(copy.sample_rate or 0) / 1000:g} kHz"
        trimmed = copy.leading_trim_frames or 0
        facts.append(
            Fact(
                "Decoded by",
                f"{copy.decoder} {copy.decoder_version}".strip(),
                f"{copy.format.upper()}, {rate}, {count_of(copy.channels or 0, 'channel')}"
                + (f", {count_of(trimmed, 'frame')} of encoder delay left out" if trimmed else ""),
            )
        )
    return facts


def warnings_of(track: Track, result: TrackAnalysis) -> list[str]:
    """Warnings about the file and from the analysis, each a sentence, each once."""
    said = [*track.warnings, *result.warnings]
    return list(dict.fromkeys(AUDIO_MESSAGES.get(warning, warning) for warning in said))


def signed(value: float) -> str:
    """One decimal with a real minus sign."""
    return f"{value:.1f}".replace("-", "−")


def _tempo(result: TrackAnalysis) -> Fact:
    if result.tempo_bpm is None:
        return Fact("Tempo", "no steady beat found", "rows follow the clock")
    others = [f"{reading.bpm:.2f}" for reading in result.tempo_candidates[1:4]]
    also = f"could also be read as {' or '.join(others)}" if others else ""
    segments = result.tempo_segments
    if result.steady:
        how = "steady"
    elif 1 < len(segments) <= _FEW_SEGMENTS:
        changes = ", ".join(f"{part.bpm:.2f} from {clock(part.start_us, digits=0)}" for part in segments[1:])
        how = f"changes: {changes}"
    else:
        how = "wanders, as people play"
    return Fact("Tempo", f"{result.tempo_bpm:.2f} BPM", "; ".join(part for part in (how, also) if part))


def _key(result: TrackAnalysis) -> Fact:
    if result.key is None:
        return Fact("Key", "none found")
    second = f", else {key_words(result.key.runner_up)}" if result.key.runner_up else ""
    return Fact("Key", key_words(result.key.name), f"{certainty(result.key.confidence)}{second}")


def is_doubtful(marker: MarkerFields, doubted: Collection[int]) -> bool:
    """Whether a marker is pencilled: drafted without being sure, or where such drafts are weak."""
    return isinstance(marker, DraftMarker) and (certainty(marker.confidence) == "unsure" or marker.slot in doubted)


def _drawn(
    marker: MarkerFields,
    slots: dict[int, Slot],
    grid: MusicalTime,
    *,
    side: Any,
    target: str,
    doubted: Collection[int] = (),
) -> RowMarker:
    slot = slots.get(marker.slot)
    doubt = " ?" if is_doubtful(marker, doubted) else ""
    return RowMarker(
        slot=marker.slot,
        start_us=marker.start_us,
        end_us=marker.end_us,
        side=side,
        name=marker_name(marker, slot, grid),
        note=f"{marker.label or length_words(grid, marker)}{doubt}".strip(),
        href=f"{target}{marker.slot}",
        badge=badge(slot) if slot else None,
    )
