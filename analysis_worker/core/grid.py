"""The beat grid of a recording: tempo, beats, and whether one tempo holds throughout.

Task: every beat of the recording, through breakdowns without drums as well, at the start of the kick's attack. Where
one straight line explains the music, the grid is that line (design: 77 % of annotated dance tracks); else it is made of
pieces with a tempo each, or follows the drummer beat by beat (``segments``).

Conventions: beats in seconds from the first sample, all within ``[0, duration)``. ``tempo_bpm`` is what was measured;
whole or half numbers replace it only where the whole recording bears them out within 2 ms (``_SNAP``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from analysis_worker.core.folding import Line, fit_line, measure_at, weighted_median
from analysis_worker.core.following import follow_pulse
from analysis_worker.core.grouping import USUAL_GROUPING, Grouping, weigh_grouping
from analysis_worker.core.metre import Hypothesis, weigh_metres
from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.readings import list_candidates, list_readings
from analysis_worker.core.results import Reading, TempoCandidate, TempoSegment
from analysis_worker.core.segments import Piece, find_pieces, lay
from analysis_worker.core.tempo import Events, base_pulse, find_events, pulse_envelope, refine_tempo
from analysis_worker.core.turns import TWELFTHS

Floats = NDArray[np.float64]

MIN_EVENTS = 12
"""Fewer onsets than this make no rhythm (common sense: three bars of beats)."""

NOISE_SALIENCE = 0.32
"""Over the square root of the length in seconds: what noise reaches by chance (measured: 0.10 in 8 s,
0.07 in 15 s, 0.027 in 60 s, 0.016 in 180 s; the weakest music has 0.05 to 0.5)."""

STEADY_S = 0.003
STEADY_SHARE = 0.7
"""A recording is steady where stretches with 70 % of the music lie within 3 ms of the line (design A3: 3 ms; measured:
steady tracks reach 0.8 and more, a few fills and breakdowns pointing elsewhere; wandering drummers stay below 0.2)."""

LONG_AWAY = 8.0
"""A run of stretches away from the line with as much music as eight usual ones (64 beats) may be another tempo: look
closer (measured: steady tracks stay below 6, at double tempo below 10)."""

MIN_CONFIDENCE = 0.05
"""Below this there is no telling what the beat is (measured: noise and single tones reach 0.02-0.12, music 0.3)."""

FREE_SEGMENT_BEATS = 32

_SNAP_BPM = 0.02
_SNAP_S = 0.002
"""Design A4: a whole or half number within 0.02 BPM, if no beat of the recording moves by 2 ms for it."""

_ANCHOR_BINS_PER_S = 500
_ANCHOR_BLUR_S = 0.004
_ANCHOR_WEIGHTS = np.array([1.0, 1.0, 0.5])
_NEAR_BEAT_S = 0.02
_NEARBY_BEATS = 0.045


@dataclass(frozen=True, slots=True)
class Grid:
    """Tempo and beats. Without a detectable grid ``tempo_bpm`` is None and everything else empty or zero.

    ``candidates`` holds other readings of the tempo after the chosen one, ``segments`` at least one stretch where
    there are beats, ``beats_s`` every beat in ``[0, duration)``, ``confidence`` is from 0 to 1. ``readings`` are the
    ways to hear the beat, ``grouping`` says how likely four, three and six beats a bar are.
    """

    tempo_bpm: float | None
    candidates: tuple[TempoCandidate, ...]
    steady: bool
    segments: tuple[TempoSegment, ...]
    beats_s: Floats
    confidence: float
    readings: tuple[Reading, ...] = ()
    grouping: Grouping = USUAL_GROUPING


NO_GRID = Grid(None, (), False, (), np.zeros(0), 0.0)


@dataclass(frozen=True, slots=True)
class Pulse:
    """An even pulse that the music repeats at, aligned so that much begins on whole pulses, before it is known which
    of its ratios is the beat. ``times_s`` holds every pulse, ``positions`` where each onset lies in pulses; ``line`` is
    None where the tempo changes, ``pieces`` then the stretches with a tempo each (if there are any), in pulses that
    begin ``shift`` later than those of ``times_s``. ``share`` is how much of the music lies on the pulse."""

    events: Events
    times_s: Floats
    positions: Floats
    period_s: float
    line: Line | None
    pieces: tuple[Piece, ...]
    shift: float
    share: float


def estimate_grid(bands: OnsetBands, duration_s: float) -> Grid:
    """Beats of a recording of the given length. Sound without a pulse gives ``NO_GRID``; nothing raises."""
    pulse = find_pulse(bands, duration_s)
    if pulse is None:
        return NO_GRID
    readings = weigh_metres(pulse.events, pulse.positions, bands, pulse.times_s, 60.0 / pulse.period_s)
    if pulse.line is not None:
        return _steady_grid(pulse, pulse.line, readings, bands, duration_s)
    return _changing_grid(pulse, readings, bands, duration_s)


def find_pulse(bands: OnsetBands, duration_s: float) -> Pulse | None:
    """The pulse of a recording; None where nothing repeats."""
    events = find_events(bands)
    if len(events.times_s) < MIN_EVENTS or duration_s <= 0:
        return None
    envelope, rate = pulse_envelope(bands)
    base = base_pulse(envelope, rate)
    if base is None or base[1] < NOISE_SALIENCE / duration_s**0.5:
        return None
    tempo_bpm = refine_tempo(envelope, rate, base[0])
    line, stretches = fit_line(events, Line(0.0, 60.0 / tempo_bpm))
    share = stretches.share_within(STEADY_S)
    if share >= STEADY_SHARE and stretches.longest_away(STEADY_S) < LONG_AWAY:
        return _even_pulse(events, line, share, duration_s)
    pulses_s = follow_pulse(events, bands, line.tempo_bpm if share >= STEADY_SHARE else tempo_bpm, duration_s)
    pieces = find_pieces(events, pulses_s)
    if len(pieces) == 1 or (not pieces and share >= STEADY_SHARE):
        if pieces:
            line, stretches = fit_line(events, pieces[0].line)
            share = stretches.share_within(STEADY_S)
        return _even_pulse(events, line, share, duration_s)
    return _changing_pulse(events, lay(pieces, pulses_s), pieces)


def _even_pulse(events: Events, line: Line, share: float, duration_s: float) -> Pulse | None:
    line = line.moved(_anchor(events, line.position(events.times_s), line.period_s) * line.period_s)
    times_s = line.beats_between(0.0, duration_s)
    if not len(times_s):
        return None
    line = Line(float(times_s[0]), line.period_s)
    return Pulse(events, times_s, line.position(events.times_s), line.period_s, line, (), 0.0, share)


def _changing_pulse(events: Events, pulses_s: Floats, pieces: tuple[Piece, ...]) -> Pulse:
    index = np.arange(len(pulses_s), dtype=np.float64)
    period_s = float(np.median(np.diff(pulses_s)))
    shift = _anchor(events, np.interp(events.times_s, pulses_s, index), period_s)
    times_s = np.interp(index[:-1] + shift, index, pulses_s)
    positions = np.interp(events.times_s, times_s, index[:-1])
    return Pulse(events, times_s, positions, period_s, None, pieces, shift, 1.0)


def _steady_grid(pulse: Pulse, line: Line, readings: list[Hypothesis], bands: OnsetBands, duration_s: float) -> Grid:
    best = readings[0]
    beat = Line(line.origin_s + best.place(0) * line.period_s, line.period_s / best.ratio)
    if best.phase % 3:
        aside = _nearby(pulse.events, beat.position(pulse.events.times_s), beat.period_s)
        beat = beat.moved(aside * beat.period_s)
    beat = _snapped(beat, duration_s)
    beat = beat.moved(_attack_shift(pulse.events, beat.position(pulse.events.times_s), beat.period_s) or 0.0)
    beats_s = beat.beats_between(0.0, duration_s)
    confidence = best.probability * min(1.0, pulse.share / 0.9)
    if not len(beats_s) or confidence < MIN_CONFIDENCE:
        return NO_GRID
    grouping = weigh_grouping(pulse.events, bands, beats_s)
    # In whole beats from the pulse's: snapping and anchoring moved the line by far less than a beat.
    number = np.round(line.position(beats_s[:1])[0] * best.ratio - best.phase / TWELFTHS)
    first_place = best.place(float(number))
    return Grid(
        tempo_bpm=beat.tempo_bpm,
        candidates=list_candidates(readings, beat.tempo_bpm),
        steady=True,
        segments=(TempoSegment(_us(beats_s[0]), beat.tempo_bpm),),
        beats_s=beats_s,
        confidence=confidence,
        readings=list_readings(readings, beats_s, first_place, beat.tempo_bpm, grouping),
        grouping=grouping,
    )


def _changing_grid(pulse: Pulse, readings: list[Hypothesis], bands: OnsetBands, duration_s: float) -> Grid:
    """A grid along pulses that are not one line: pieces with a tempo each, or beat by beat where there are none."""
    events, pieces, period_s, best = pulse.events, pulse.pieces, pulse.period_s, readings[0]
    places = np.arange(best.place(0), len(pulse.times_s) - 1, 1.0 / best.ratio)
    beats_s = np.interp(places, np.arange(len(pulse.times_s)), pulse.times_s)
    if best.phase % 3:
        positions = np.interp(events.times_s, beats_s, np.arange(len(beats_s)))
        beats_s = beats_s + _nearby(events, positions, period_s / best.ratio) * period_s / best.ratio
    numbers = np.arange(len(beats_s), dtype=np.float64)
    deviations = np.interp(events.times_s, beats_s, numbers)
    everywhere_s = _attack_shift(events, deviations, period_s / best.ratio) or 0.0
    # Which beat each piece begins at; between pieces and without any, the shift of all beats holds.
    starts = [int(np.searchsorted(places + pulse.shift, piece.first)) for piece in pieces]
    moved_s = beats_s + everywhere_s
    for piece, start in zip(pieces, starts, strict=True):
        stop = int(np.searchsorted(places + pulse.shift, piece.last))
        inside = (deviations >= start) & (deviations < stop)
        chosen = Events(events.times_s[inside], events.strengths[inside], events.bands[inside])
        own_s = _attack_shift(chosen, deviations[inside], period_s / best.ratio)
        moved_s[start:stop] = beats_s[start:stop] + (everywhere_s if own_s is None else own_s)
    kept = (moved_s >= 0.0) & (moved_s < duration_s) & (np.diff(moved_s, prepend=-1e9) > 0.5 * period_s / best.ratio)
    likeness = measure_at(events, deviations, period_s / best.ratio).likeness
    confidence = float(best.probability * np.median(likeness)) if len(likeness) else 0.0
    if np.count_nonzero(kept) < 2 or confidence < MIN_CONFIDENCE:
        return NO_GRID
    grouping = weigh_grouping(events, bands, moved_s[kept])
    segments = _segments(pieces, moved_s, starts, best.ratio, kept)
    tempo_bpm = _main_tempo(segments, duration_s) if pieces else _mean_tempo(moved_s[kept])
    return Grid(
        tempo_bpm=tempo_bpm,
        candidates=list_candidates(readings, tempo_bpm),
        steady=False,
        segments=segments,
        beats_s=moved_s[kept],
        confidence=confidence,
        readings=list_readings(readings, moved_s[kept], float(places[kept][0]), tempo_bpm, grouping),
        grouping=grouping,
    )


def _segments(
    pieces: tuple[Piece, ...], beats_s: Floats, starts: list[int], ratio: float, kept: NDArray[np.bool_]
) -> tuple[TempoSegment, ...]:
    """One segment a piece; without pieces, the mean tempo of every 32 beats."""
    first = int(np.flatnonzero(kept)[0])
    if pieces:
        return tuple(
            TempoSegment(_us(beats_s[max(start, first)]), piece.line.tempo_bpm * ratio)
            for piece, start in zip(pieces, starts, strict=True)
            if start < len(beats_s)
        )
    inside = beats_s[kept]
    cuts = list(range(0, max(1, len(inside) - FREE_SEGMENT_BEATS // 2), FREE_SEGMENT_BEATS))
    ends = [*cuts[1:], len(inside) - 1]
    return tuple(
        TempoSegment(_us(inside[start]), 60.0 * (end - start) / float(inside[end] - inside[start]))
        for start, end in zip(cuts, ends, strict=True)
        if end > start
    )


def _main_tempo(segments: tuple[TempoSegment, ...], duration_s: float) -> float:
    """The tempo of the longest segment."""
    ends = [segment.start_us for segment in segments[1:]] + [_us(duration_s)]
    lengths = [end - segment.start_us for segment, end in zip(segments, ends, strict=True)]
    return segments[int(np.argmax(lengths))].bpm


def _mean_tempo(beats_s: Floats) -> float:
    return 60.0 * (len(beats_s) - 1) / float(beats_s[-1] - beats_s[0])


def _anchor(events: Events, positions: Floats, period_s: float) -> float:
    """Where in a pulse (0 to 1) most begins, so that the beat can be sought at simple fractions from there."""
    fold = _fold(events, positions, period_s)
    return (int(fold.argmax()) + 0.5) / len(fold)


def _nearby(events: Events, positions: Floats, period_s: float) -> float:
    """How far from the beat (in beats) most begins near it. For a beat that was placed from a swung off-beat: swing
    comes in all sizes, not in twelfths."""
    fold = _fold(events, positions, period_s)
    middle = len(fold) // 2
    fold = np.roll(fold, middle)
    reach = max(1, round(_NEARBY_BEATS * len(fold)))
    return (int(fold[middle - reach : middle + reach + 1].argmax()) - reach + 0.5) / len(fold)


def _fold(events: Events, positions: Floats, period_s: float) -> Floats:
    """How much begins at each place in the pulse, at bins of about 2 ms."""
    bins = max(32, round(period_s * _ANCHOR_BINS_PER_S))
    place = np.floor(positions % 1.0 * bins).astype(np.int64) % bins
    fold = np.bincount(place, weights=events.strengths * _ANCHOR_WEIGHTS[events.bands], minlength=bins)
    return np.asarray(ndimage.gaussian_filter1d(fold, _ANCHOR_BLUR_S / period_s * bins, mode="wrap"), dtype=np.float64)


def _attack_shift(events: Events, positions: Floats, period_s: float) -> float | None:
    """How much later than the beats (whole ``positions``) the attacks on them are, in seconds: the bands' medians, the
    more weight the tighter a band lies. None where too little begins on beats to say."""
    deviation_s = ((positions + 0.5) % 1.0 - 0.5) * period_s
    shifts, weights = [], []
    for band in range(3):
        near = (events.bands == band) & (np.abs(deviation_s) < _NEAR_BEAT_S)
        if np.count_nonzero(near) >= MIN_EVENTS:
            middle = weighted_median(deviation_s[near], events.strengths[near])
            spread = weighted_median(np.abs(deviation_s[near] - middle), events.strengths[near])
            shifts.append(middle)
            weights.append(events.strengths[near].sum() / (spread + 0.001) ** 2)
    return float(np.average(shifts, weights=weights)) if shifts else None


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


def _us(time_s: float) -> int:
    return round(float(time_s) * 1_000_000)
