"""Compares an estimate with what is known of a track.

Sources of the measures: mir_eval (Raffel et al., ISMIR 2014): ``beat.f_measure``, ``beat.continuity`` (CMLt),
``segment.detection`` (hit rate at 0.5 s), ``key.weighted_score`` (fifth counted upwards only), ``util.match_events``.
The first five seconds are left out of beat measures, as is mir_eval's custom. Tempo within 0.05 BPM, drops within a bar
and draft slots within a quarter of a beat are our own.

Every figure is 0 to 1 (1 best) or None where the track does not ask the question, except those that name a unit.
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
from tests.accuracy.material import Reference

Scores = dict[str, float | None]

TEMPO_TOLERANCE_BPM = 0.05
_OCTAVES = (1.0, 2.0, 0.5)
_NEAR_S = 0.07


def score(estimate: Estimate, reference: Reference) -> Scores:
    """All figures of one track."""
    figures = _tempo(estimate, reference) | _beats(estimate, reference) | _bars(estimate, reference)
    if reference.full is not None:
        figures |= _form(estimate, reference.full)
    elif reference.patterns_s is not None and estimate.sections is not None:
        inner = np.asarray([start for start, _, _ in estimate.sections[1:]])
        figures["boundaries_on_patterns"] = _share_near(inner, reference.patterns_s, 0.5)
    return figures


def _tempo(estimate: Estimate, reference: Reference) -> Scores:
    true_bpm, said_bpm = reference.tempo_bpm, estimate.tempo_bpm
    figures: Scores = {"steady_right": float(estimate.steady == reference.steady)}
    wanders = reference.full is not None and not reference.steady and len(reference.full.tempo_segments) == 1
    if wanders:
        # Drummers without a click have no tempo to the hundredth: only the octave is asked.
        figures["octave_right"] = float(said_bpm is not None and abs(said_bpm / true_bpm - 1) < 0.04)
        return figures
    if said_bpm is None:
        return figures | {"tempo_aside": 0.0, "tempo_right": 0.0, "octave_right": 0.0, "tempo_top_two": 0.0}
    errors = [abs(said_bpm * octave - true_bpm) for octave in _OCTAVES]
    near = [abs(candidate / true_bpm - 1) < 0.04 for candidate in estimate.candidates_bpm[:2]]
    figures |= {
        "tempo_aside": float(min(errors) <= TEMPO_TOLERANCE_BPM),
        "tempo_right": float(errors[0] <= TEMPO_TOLERANCE_BPM),
        "octave_right": float(abs(said_bpm / true_bpm - 1) < 0.04),
        "tempo_top_two": float(any(near)) if estimate.candidates_bpm else None,
    }
    return figures


def _beats(estimate: Estimate, reference: Reference) -> Scores:
    true = mir_eval.beat.trim_beats(reference.beats_s)
    said = mir_eval.beat.trim_beats(estimate.beats_s)
    figures: Scores = {
        "beat_f70": _f_measure(true, said, 0.07),
        "beat_f20": _f_measure(true, said, 0.02),
        "beat_f10": _f_measure(true, said, 0.01),
        "cmlt": _continuity(true, said),
        "beat_f20_aside": max(_f_measure(true, other, 0.02) for other in _octaves(said)),
    }
    best = max(_octaves(said), key=lambda other: _f_measure(true, other, _NEAR_S))
    offsets_s = _offsets(true, best)
    if len(offsets_s):
        figures["offset_median_ms"] = float(np.median(offsets_s)) * 1e3
        figures["offset_p95_ms"] = float(np.percentile(np.abs(offsets_s), 95)) * 1e3
    return figures


def _bars(estimate: Estimate, reference: Reference) -> Scores:
    true = mir_eval.beat.trim_beats(reference.downbeats_s)
    said = mir_eval.beat.trim_beats(estimate.downbeats_s)
    return {
        "downbeat_f": _f_measure(true, said, _NEAR_S),
        "downbeat_phase": float((_share_near(true, said, _NEAR_S) or 0.0) > 0.8),
    }


def _form(estimate: Estimate, truth: Truth) -> Scores:
    figures: Scores = {}
    numbered = _phrase_phase(estimate.phrases_s, truth) if len(estimate.phrases_s) else 0.0
    phrase_lengths = np.diff(np.searchsorted(truth.downbeats_s, truth.phrases_s - 1e-3))
    slips = bool(np.any(phrase_lengths != 8))
    figures["phrase_bars"] = numbered
    figures["phrase_bars_slipped" if slips else "phrase_bars_straight"] = numbered
    if estimate.sections is not None:
        figures["boundary_hr05"] = _boundaries(estimate.sections, truth)
        figures["role_time"] = _roles(estimate.sections, truth)
    if estimate.drops_s is not None:
        figures["drop_f"] = _drops([start for start, _ in estimate.drops_s], truth)
        figures["strongest_right"] = _strongest(estimate.drops_s, truth)
    if estimate.sections is not None:
        figures["key_weighted"] = mir_eval.key.weighted_score(truth.key, estimate.key) if estimate.key else 0.0
    if estimate.draft_s is not None:
        hits = draft_hits(estimate.draft_s, truth)
        figures |= {f"slot_{slot}": float(hit) for slot, hit in hits.items()}
        figures["draft_slots"] = float(np.mean(list(hits.values()))) if hits else None
    return figures


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
    function, lead = slot["function"], 4 * (slot.get("lead_bars") or 0)
    if function == "mix-in":
        events_s = [float(truth.beats_s[0]), truth.drums_s]
    elif function == "exit loop":
        last = truth.sections[-1]
        if last.role != "outro":
            return []
        start, end = _beat(last.start_s, truth), _beat(last.end_s, truth)
        return list(range(start, end - 4 * (slot.get("loop_bars") or 0) + 1, 4))
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


def _f_measure(true: NDArray[np.float64], said: NDArray[np.float64], window_s: float) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # mir_eval warns of empty answers; they count as 0
        return float(mir_eval.beat.f_measure(true, said, f_measure_threshold=window_s))


def _continuity(true: NDArray[np.float64], said: NDArray[np.float64]) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(mir_eval.beat.continuity(true, said)[1])


def _octaves(beats_s: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    if len(beats_s) < 2:
        return [beats_s]
    doubled = np.interp(np.arange(2 * len(beats_s) - 1) / 2, np.arange(len(beats_s)), beats_s)
    return [beats_s, beats_s[::2], beats_s[1::2], doubled]


def _offsets(true: NDArray[np.float64], said: NDArray[np.float64]) -> NDArray[np.float64]:
    """Estimate minus truth for each true beat that has an estimate within 70 ms."""
    if not len(said) or not len(true):
        return np.zeros(0)
    after = np.clip(np.searchsorted(said, true), 1, max(1, len(said) - 1))
    left = said[after - 1]
    right = said[np.minimum(after, len(said) - 1)]
    nearest = np.where(np.abs(left - true) <= np.abs(right - true), left, right)
    offsets: NDArray[np.float64] = nearest - true
    return offsets[np.abs(offsets) <= _NEAR_S]


def _share_near(asked: NDArray[np.float64], places: NDArray[np.float64], window_s: float) -> float | None:
    """Share of the asked times that have a place within the window."""
    if not len(asked):
        return None
    if not len(places):
        return 0.0
    return float(np.mean([np.min(np.abs(places - time)) <= window_s for time in asked]))


def _phrase_phase(phrases_s: NDArray[np.float64], truth: Truth) -> float:
    """Share of bars that the answer numbers as the truth does, counted from the phrase line before them."""
    right = []
    for bar_s in truth.downbeats_s[truth.downbeats_s < truth.sections[-1].end_s - 1e-6]:
        bar_length = np.interp(bar_s, truth.downbeats_s[:-1], np.diff(truth.downbeats_s))
        true_before = truth.phrases_s[truth.phrases_s <= bar_s + _NEAR_S]
        said_before = phrases_s[phrases_s <= bar_s + _NEAR_S]
        if not len(said_before):
            right.append(False)
            continue
        difference_s = abs(true_before[-1] - said_before[-1])
        # One phrase line may be left out or added: bars agree when the lines are a whole phrase of 8 bars apart.
        off = difference_s / bar_length % 8
        right.append(bool(min(off, 8 - off) * bar_length <= _NEAR_S))
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
    if not said_s and not truth.drops_s:
        return 1.0
    bar_s = 4 * 60 / truth.tempo_bpm
    matched = len(mir_eval.util.match_events(np.asarray(truth.drops_s), np.asarray(said_s), bar_s)) if said_s else 0
    return 2 * matched / (len(said_s) + len(truth.drops_s))


def _strongest(drops: list[tuple[float, float]], truth: Truth) -> float | None:
    if truth.strongest_drop_s is None:
        return None
    if not drops:
        return 0.0
    said_s = max(drops, key=lambda drop: drop[1])[0]
    return float(abs(said_s - truth.strongest_drop_s) <= 4 * 60 / truth.tempo_bpm)
