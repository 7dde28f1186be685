"""Compares an estimate with what is known of a track: tempo, beats and bars here, form, key and voice in ``form``.

Sources of the measures: mir_eval (Raffel et al., ISMIR 2014): ``beat.f_measure``, ``beat.continuity`` (CMLt),
``segment.detection`` (hit rate at 0.5 s), ``key.weighted_score`` (fifth counted upwards only), ``util.match_events``.
The first five seconds are left out of beat measures, as is mir_eval's custom. Tempo within 0.05 BPM, drops within a bar
and draft slots within a quarter of a beat are our own.

Every figure is 0 to 1 (1 best) or None where the track does not ask the question, except those that name a unit.
"""

from __future__ import annotations

import warnings

import mir_eval
import numpy as np
from numpy.typing import NDArray

from tests.accuracy.estimate import Estimate
from tests.accuracy.form import form_figures
from tests.accuracy.material import Reference

Scores = dict[str, float | None]

TEMPO_TOLERANCE_BPM = 0.05
_OCTAVES = (1.0, 2.0, 0.5)
_NEAR_S = 0.07


def score(estimate: Estimate, reference: Reference) -> Scores:
    """All figures of one track."""
    figures: Scores = {}
    if reference.has_beat:
        figures = _tempo(estimate, reference) | _beats(estimate, reference) | _bars(estimate, reference)
    if reference.full is not None:
        figures |= form_figures(estimate, reference.full, reference.has_beat, reference.drop_lufs)
    elif reference.patterns_s is not None and estimate.sections is not None:
        inner = np.asarray([start for start, _, _ in estimate.sections[1:]])
        figures["boundaries_on_patterns"] = share_near(inner, reference.patterns_s, 0.5)
    return figures


def _tempo(estimate: Estimate, reference: Reference) -> Scores:
    true_bpm, said_bpm = reference.tempo_bpm, estimate.tempo_bpm
    figures: Scores = {"steady_right": float(estimate.steady == reference.steady)}
    figures["false_alarms" if reference.steady else "unsteady_found"] = float(not estimate.steady)
    wanders = reference.full is not None and not reference.steady and len(reference.full.tempo_segments) == 1
    if not reference.steady and not wanders:
        # Where the tempo steps, one number says little; the beats are asked.
        return figures
    if wanders:
        # Drummers without a click have no tempo to the hundredth: only the octave is asked.
        figures["octave_right"] = float(said_bpm is not None and abs(said_bpm / true_bpm - 1) < 0.04)
        return figures
    if said_bpm is None:
        return figures | {"tempo_aside": 0.0, "tempo_right": 0.0, "octave_right": 0.0, "tempo_top_two": 0.0}
    errors = [abs(said_bpm * octave - true_bpm) for octave in _OCTAVES]
    near = [abs(candidate / true_bpm - 1) < 0.04 for candidate in estimate.candidates_bpm[:2]]
    if reference.steady and min(errors) < 1.0:
        figures["tempo_error_bpm"] = min(errors)
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
        "downbeat_phase": float(min(share_near(true, said, _NEAR_S) or 0, share_near(said, true, _NEAR_S) or 0) > 0.8),
        "metre_right": float(estimate.beats_per_bar == reference.beats_per_bar),
        f"metre_right_{reference.beats_per_bar}": float(estimate.beats_per_bar == reference.beats_per_bar),
    }


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


def share_near(asked: NDArray[np.float64], places: NDArray[np.float64], window_s: float) -> float | None:
    """Share of the asked times that have a place within the window."""
    if not len(asked):
        return None
    if not len(places):
        return 0.0
    return float(np.mean([np.min(np.abs(places - time)) <= window_s for time in asked]))
