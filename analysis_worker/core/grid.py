"""The beat grid of a recording: tempo, beats, and whether one tempo holds throughout.

Task: every beat of the recording, through breakdowns without drums as well, at the start of the kick's attack. Where
one straight line explains the music, the grid is that line (design: 77 % of annotated dance tracks); else it is made of
pieces with a tempo each, or follows the drummer beat by beat (``segments``).

Conventions: beats in seconds from the first sample, all within ``[0, duration)``. ``tempo_bpm`` is what was measured;
whole or half numbers replace it only where the whole recording bears them out within 2 ms (``_SNAP``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from analysis_worker.core.folding import Line, fit_line, weighted_median
from analysis_worker.core.metre import Hypothesis, weigh_metres
from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.results import TempoCandidate, TempoSegment
from analysis_worker.core.tempo import Events, base_pulse, find_events, pulse_envelope, refine_tempo

Floats = NDArray[np.float64]

MIN_EVENTS = 12
"""Fewer onsets than this make no rhythm (common sense: three bars of beats)."""

MIN_SALIENCE = 0.02
"""Below this autocorrelation nothing repeats (measured: noise stays under 0.01, the weakest music is at 0.05)."""

STEADY_S = 0.003
STEADY_SHARE = 0.7
"""A recording is steady where stretches with 70 % of the music lie within 3 ms of the line (design A3: 3 ms; measured:
steady tracks reach 0.8 and more, a few fills and breakdowns pointing elsewhere; wandering drummers stay below 0.2)."""

_SNAP_BPM = 0.02
_SNAP_S = 0.002
"""Design A4: a whole or half number within 0.02 BPM, if no beat of the recording moves by 2 ms for it."""

_ANCHOR_BINS_PER_S = 500
_ANCHOR_BLUR_S = 0.004
_ANCHOR_WEIGHTS = np.array([1.0, 1.0, 0.5])
_NEAR_BEAT_S = 0.02
_MAX_CANDIDATES = 5


@dataclass(frozen=True, slots=True)
class Grid:
    """Tempo and beats. Without a detectable grid ``tempo_bpm`` is None and everything else empty or zero.

    ``candidates`` holds other readings of the tempo after the chosen one, ``segments`` at least one stretch where
    there are beats, ``beats_s`` every beat in ``[0, duration)``, ``confidence`` is from 0 to 1.
    """

    tempo_bpm: float | None
    candidates: tuple[TempoCandidate, ...]
    steady: bool
    segments: tuple[TempoSegment, ...]
    beats_s: Floats
    confidence: float


NO_GRID = Grid(None, (), False, (), np.zeros(0), 0.0)


def estimate_grid(bands: OnsetBands, duration_s: float) -> Grid:
    """Beats of a recording of the given length. Sound without a pulse gives ``NO_GRID``; nothing raises."""
    events = find_events(bands)
    if len(events.times_s) < MIN_EVENTS or duration_s <= 0:
        return NO_GRID
    pulse, rate = pulse_envelope(bands)
    base = base_pulse(pulse, rate)
    if base is None or base[1] < MIN_SALIENCE:
        return NO_GRID
    tempo_bpm = refine_tempo(pulse, rate, base[0])
    line, stretches = fit_line(events, Line(0.0, 60.0 / tempo_bpm))
    share = stretches.share_within(STEADY_S)
    grid = _steady_grid(events, bands, line, share, duration_s)
    return grid if share >= STEADY_SHARE else replace(grid, steady=False, confidence=grid.confidence * share)


def _steady_grid(events: Events, bands: OnsetBands, line: Line, share: float, duration_s: float) -> Grid:
    line = _anchored(events, line)
    pulses_s = line.beats_between(0.0, duration_s)
    if not len(pulses_s):
        return NO_GRID
    line = Line(float(pulses_s[0]), line.period_s)
    readings = weigh_metres(events, line.position(events.times_s), bands, pulses_s, line.tempo_bpm)
    best = readings[0]
    beat = Line(line.origin_s + best.phase / 4 * line.period_s / best.ratio, line.period_s / best.ratio)
    beat = _on_attacks(events, _snapped(beat, duration_s))
    beats_s = beat.beats_between(0.0, duration_s)
    if not len(beats_s):
        return NO_GRID
    return Grid(
        tempo_bpm=beat.tempo_bpm,
        candidates=_candidates(readings, beat.tempo_bpm),
        steady=True,
        segments=(TempoSegment(_us(beats_s[0]), beat.tempo_bpm),),
        beats_s=beats_s,
        confidence=_confidence(best, share),
    )


def _anchored(events: Events, line: Line) -> Line:
    """The line moved to where most begins within a period, so that the beat can be sought a quarter at a time."""
    bins = max(32, round(line.period_s * _ANCHOR_BINS_PER_S))
    place = np.floor(line.position(events.times_s) % 1.0 * bins).astype(np.int64) % bins
    fold = np.bincount(place, weights=events.strengths * _ANCHOR_WEIGHTS[events.bands], minlength=bins)
    fold = ndimage.gaussian_filter1d(fold, _ANCHOR_BLUR_S / line.period_s * bins, mode="wrap")
    return Line(line.origin_s + (int(fold.argmax()) + 0.5) / bins * line.period_s, line.period_s)


def _on_attacks(events: Events, beat: Line) -> Line:
    """The line moved onto the attacks near it: the bands' medians, the more weight the tighter a band lies."""
    deviation_s = (beat.position(events.times_s) + 0.5) % 1.0 * beat.period_s - 0.5 * beat.period_s
    shifts, weights = [], []
    for band in range(3):
        near = (events.bands == band) & (np.abs(deviation_s) < _NEAR_BEAT_S)
        if np.count_nonzero(near) >= MIN_EVENTS:
            middle = weighted_median(deviation_s[near], events.strengths[near])
            spread = weighted_median(np.abs(deviation_s[near] - middle), events.strengths[near])
            shifts.append(middle)
            weights.append(events.strengths[near].sum() / (spread + 0.001) ** 2)
    return Line(beat.origin_s + float(np.average(shifts, weights=weights)), beat.period_s) if shifts else beat


def _snapped(beat: Line, duration_s: float) -> Line:
    """The nearest whole or half tempo, if turning the line about its middle moves no beat by 2 ms."""
    even = round(beat.tempo_bpm * 2) / 2
    period_s = 60.0 / even
    middle = duration_s / 2
    turn_s = abs(period_s - beat.period_s) / beat.period_s * middle
    if abs(even - beat.tempo_bpm) >= _SNAP_BPM or turn_s >= _SNAP_S:
        return beat
    number = round((middle - beat.origin_s) / beat.period_s)
    return Line(beat.origin_s + number * (beat.period_s - period_s), period_s)


def _candidates(readings: list[Hypothesis], tempo_bpm: float) -> tuple[TempoCandidate, ...]:
    """One candidate for each ratio, the chosen one first, with the sum of its phases' probabilities."""
    best = readings[0]
    sums: dict[float, float] = {}
    for reading in readings:
        sums[reading.ratio] = sums.get(reading.ratio, 0.0) + reading.probability
    others = sorted((ratio for ratio in sums if ratio != best.ratio), key=lambda ratio: -sums[ratio])
    chosen = [best.ratio, *others][:_MAX_CANDIDATES]
    return tuple(
        TempoCandidate(round(tempo_bpm * ratio / best.ratio, 4), round(min(1.0, sums[ratio]), 4)) for ratio in chosen
    )


def _confidence(best: Hypothesis, share: float) -> float:
    return float(np.clip(best.probability * min(1.0, share / 0.9), 0.0, 1.0))


def _us(time_s: float) -> int:
    return round(float(time_s) * 1_000_000)
