"""Compares the form that was found with that of an invented track: phrases, sections, drops, draft, key, voice.

Sources of the measures: mir_eval (Raffel et al., ISMIR 2014): ``segment.detection`` (hit rate at 0.5 s),
``key.weighted_score`` (a fifth counts only upwards; ``key_either`` is our own and counts it downwards too),
``util.match_events``. Drops within a bar, draft slots within a
quarter of a beat, and voice by tenths of a second are our own.
"""

from __future__ import annotations

import json
import warnings
from typing import Any

import mir_eval
import numpy as np
from numpy.typing import NDArray

from fixtures.generate import Truth
from tests.accuracy.estimate import CONVENTION, Estimate

Scores = dict[str, float | None]

_NEAR_S = 0.07
_TELLING_LU = 1.0
"""Drops nearer to each other in level than this are not asked for the stronger one."""


def form_figures(estimate: Estimate, truth: Truth, has_beat: bool, drop_lufs: tuple[float, ...] | None) -> Scores:
    """All figures of the form of one track; without a beat only drops, key and voice are asked."""
    figures: Scores = {}
    if has_beat:
        numbered = _phrase_phase(estimate.phrases_s, truth) if len(estimate.phrases_s) else 0.0
        slips = any(round(bars) % 8 for bars in _section_bars(truth))
        figures["phrase_bars"] = numbered
        figures["phrase_bars_slipped" if slips else "phrase_bars_straight"] = numbered
    if estimate.sections is None:
        return figures
    if has_beat:
        if len(truth.sections) > 1:
            figures["boundary_hr05"] = _boundaries(estimate.sections, truth)
        figures["role_time"] = _roles(estimate.sections, truth)
    if estimate.drops_s is not None:
        starts = [start for start, _ in estimate.drops_s]
        if truth.drops_s:
            figures["drop_f"] = _drops(starts, truth)
            if drop_lufs and len(drop_lufs) > 1 and abs(drop_lufs[0] - drop_lufs[1]) >= _TELLING_LU:
                figures["strongest_right"] = _strongest(estimate.drops_s, truth, int(np.argmax(drop_lufs)))
            figures["alike_right"] = _alike(starts, estimate.drops_same, truth)
        else:
            figures["invented_drops"] = float(len(starts))
    figures["key_weighted"] = mir_eval.key.weighted_score(truth.key, estimate.key) if estimate.key else 0.0
    figures["key_exact"] = float(figures["key_weighted"] == 1.0)
    figures["key_either"] = _either_fifth(truth.key, estimate.key) if estimate.key else 0.0
    if len(truth.keys) > 1:
        figures["key_time"] = _key_time(estimate, truth)
    figures |= _voice(estimate.voice_s, truth)
    if estimate.draft_s is not None and truth.drops_s and has_beat:
        hits = draft_hits(estimate.draft_s, truth)
        figures |= {f"slot_{slot}": float(hit) for slot, hit in hits.items()}
        figures["draft_slots"] = float(np.mean(list(hits.values()))) if hits else None
    return figures


def _voice(said_s: list[tuple[float, float]], truth: Truth) -> Scores:
    """Seconds of voice found, invented and missed, by tenths; and F of the track where somebody sings."""
    times = np.arange(0, truth.duration_s, 0.1)

    def covered(regions: Any) -> NDArray[np.bool_]:
        inside = np.zeros(len(times), dtype=bool)
        for start, end in regions:
            inside |= (times >= start) & (times < end)
        return inside

    true, said = covered(truth.voice), covered(said_s)
    found, invented, missed = (float(np.sum(part)) / 10 for part in (true & said, ~true & said, true & ~said))
    figures: Scores = {"voice_found_s": found, "voice_invented_s": invented, "voice_missed_s": missed}
    if not truth.voice:
        figures["voice_invented_share"] = invented / truth.duration_s
    else:
        figures["voice_f_sung"] = 2 * found / max(2 * found + invented + missed, 1e-9)
    return figures


def section_pairs(estimate: Estimate, truth: Truth, role: str | None = None) -> list[tuple[float, float]]:
    """Confidence of each section after the first (or of one role), beside whether it starts and is what it says.

    A start counts within a bar of one in the truth.
    """
    pairs = []
    sections = list(zip(estimate.sections or [], estimate.sections_sure, strict=False))
    for (start, _, said), sure in sections[1:] if role is None else sections:
        if role in (None, said):
            same = [part for part in truth.sections if abs(part.start_s - start) <= _bar_s(truth)]
            pairs.append((sure, float(any(part.role == said for part in same))))
    return pairs


def _alike(said_s: list[float], same_as: list[int | None], truth: Truth) -> float | None:
    """Whether the second drop is told to repeat the first, or not, as it does; only where both were found."""
    found = [
        next((index for index, start in enumerate(said_s) if abs(start - true) <= _bar_s(truth)), None)
        for true in truth.drops_s[:2]
    ]
    if len(found) < 2 or None in found or len(same_as) != len(said_s):
        return None
    first, second = found
    return float((same_as[second or 0] == first) == truth.same_material)


def _either_fifth(true: str, said: str) -> float:
    return float(max(mir_eval.key.weighted_score(true, said), 0.5 * (mir_eval.key.weighted_score(said, true) == 0.5)))


def _key_time(estimate: Estimate, truth: Truth) -> float:
    """Share of time (in steps of 0.1 s) in the right key, from the spans or, without any, the one key."""
    times = np.arange(truth.sections[0].start_s, truth.sections[-1].end_s, 0.1)
    starts = np.asarray([start for start, _ in truth.keys])
    spans = estimate.keys or [(0.0, truth.duration_s, estimate.key or "")]
    right = []
    for time_s in times:
        true = truth.keys[max(0, int(np.searchsorted(starts, time_s, side="right")) - 1)][1]
        said = next((key for start, end, key in spans if start <= time_s < end), None)
        right.append(said is not None and mir_eval.key.weighted_score(true, said) == 1.0)
    return float(np.mean(right))


def _section_bars(truth: Truth) -> list[int]:
    starts = np.searchsorted(truth.downbeats_s, [part.start_s - 1e-3 for part in truth.sections])
    return [int(length) for length in np.diff(starts)]


def draft_hits(draft_s: dict[int, float], truth: Truth) -> dict[int, bool]:
    """For each slot of the default convention that the truth can answer: is its marker right to a quarter of a beat?

    Slots left free for voice or riff are not asked. A slot whose event the track lacks is right when left empty. A
    mix-in may be the first beat or where the drums come in, an exit loop may start at any bar line of the outro from
    which it fits: one is as good as another.
    """
    hits = {}
    for slot in json.loads(CONVENTION.read_text(encoding="utf-8"))["slots"]:
        if slot["function"] in ("vocal", "riff", "free"):
            continue
        places = _places(slot, truth)
        said_s = draft_s.get(slot["number"])
        if not places or said_s is None:
            hits[slot["number"]] = not places and said_s is None
        else:
            hits[slot["number"]] = any(_on_place(said_s, place, truth) for place in places)
    return hits


def _places(slot: dict[str, Any], truth: Truth) -> list[int]:
    """Numbers of the beats on which a slot's marker may lie; none where the track lacks its event."""
    bar = truth.beats_per_bar
    function, lead = slot["function"], bar * (slot.get("lead_bars") or 0)
    if function == "mix-in":
        events_s = [float(truth.beats_s[0]), float(truth.downbeats_s[0]), truth.drums_s]
    elif function == "exit loop":
        last = truth.sections[-1]
        if last.role != "outro":
            return []
        start, end = _beat(last.start_s, truth), _beat(last.end_s, truth)
        return list(range(start, end - bar * (slot.get("loop_bars") or 0) + 1, bar))
    elif slot.get("which") == "strongest":
        events_s = [truth.strongest_drop_s] if truth.strongest_drop_s is not None else []
    else:
        starts = [section.start_s for section in truth.sections if section.role == function]
        index = {"first": 0, "second": 1, "last": len(starts) - 1}[slot.get("which", "first")]
        events_s = starts[index : index + 1] if index >= 0 else []
    return [max(0, _beat(event_s, truth) - lead) for event_s in events_s]


def _beat(time_s: float, truth: Truth) -> int:
    return int(np.argmin(np.abs(truth.beats_s - time_s)))


def _on_place(said_s: float, place: int, truth: Truth) -> bool:
    beat_s = truth.beats_s[place + 1] - truth.beats_s[place]
    return bool(abs(said_s - truth.beats_s[place]) <= beat_s / 4)


def _phrase_phase(phrases_s: NDArray[np.float64], truth: Truth) -> float:
    """Share of bars that the answer numbers as the truth does, counted from the phrase line before them.

    A line counts where it lies on a true bar line; one may be left out or added, so numbers are compared modulo 8.
    """
    bars_s = truth.downbeats_s
    nearest = np.argmin(np.abs(bars_s[:, None] - phrases_s[None]), axis=0)
    on_bar = np.abs(bars_s[nearest] - phrases_s) <= _NEAR_S
    true_lines = np.searchsorted(bars_s, truth.phrases_s - 1e-3)
    right = []
    for bar in np.flatnonzero(bars_s < truth.sections[-1].end_s - 1e-6):
        before = np.flatnonzero(phrases_s <= bars_s[bar] + _NEAR_S)
        true_line = true_lines[true_lines <= bar][-1]
        right.append(len(before) > 0 and on_bar[before[-1]] and (nearest[before[-1]] - true_line) % 8 == 0)
    return float(np.mean(right))


def _boundaries(sections: list[tuple[float, float, str]], truth: Truth) -> float:
    if len(sections) < 2:
        return 0.0

    def from_zero(parts: NDArray[np.float64]) -> NDArray[np.float64]:
        """mir_eval wants the first interval to start at 0; with ``trim`` that boundary does not count."""
        return np.concatenate([[[0.0, parts[0, 1]]], parts[1:]])

    true = np.asarray([[part.start_s, part.end_s] for part in truth.sections])
    said = np.asarray([[start, end] for start, end, _ in sections])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(mir_eval.segment.detection(from_zero(true), from_zero(said), window=0.5, trim=True)[2])


def _roles(sections: list[tuple[float, float, str]], truth: Truth) -> float:
    """Share of time (in steps of 0.1 s) with the right role."""
    times = np.arange(truth.sections[0].start_s, truth.sections[-1].end_s, 0.1)

    def roles(parts: list[tuple[float, float, str]]) -> list[str]:
        starts = np.asarray([start for start, _, _ in parts])
        index = np.clip(np.searchsorted(starts, times, side="right") - 1, 0, len(parts) - 1)
        return [parts[i][2] for i in index]

    if not sections:
        return 0.0
    true = roles([(part.start_s, part.end_s, part.role) for part in truth.sections])
    return float(np.mean([a == b for a, b in zip(true, roles(sections), strict=True)]))


def _drops(said_s: list[float], truth: Truth) -> float:
    matched = (
        len(mir_eval.util.match_events(np.asarray(truth.drops_s), np.asarray(said_s), _bar_s(truth))) if said_s else 0
    )
    return 2 * matched / (len(said_s) + len(truth.drops_s))


def _strongest(drops: list[tuple[float, float]], truth: Truth, strongest: int) -> float:
    if not drops:
        return 0.0
    said_s = max(drops, key=lambda drop: drop[1])[0]
    return float(abs(said_s - truth.drops_s[strongest]) <= _bar_s(truth))


def _bar_s(truth: Truth) -> float:
    return truth.beats_per_bar * 60 / truth.tempo_bpm
