"""Correcting a grid by hand: what the analysis found, laid on other beats (pure; no Django).

Times in the music stay where they are: sections, drops, keys, voice and loops keep their microseconds. Beats, bar lines
and phrases are new, and with them what is told beat by beat (the contour) or bar by bar (energy). A grid that a member
has set is sure: its confidence is 1.

Positions are beats of the grid as it was, carried on past both ends of the audio (``musical_time``).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor

from analysis_worker.core.results import Contour, Reading, TempoSegment, TrackAnalysis
from crewprep.analysis.musical_time import PHRASE_BARS, MusicalTime

SLOWEST_BPM, FASTEST_BPM = 20.0, 400.0
MOST_NUDGE_MS = 500
BEATS_PER_BAR = range(2, 13)
_SAME_BEAT = 0.26
"""A line of the old grid is kept where the new one has a beat within a quarter of an old one."""


class UnusableError(ValueError):
    """A correction that cannot be made; the text says why and what to do instead."""


@dataclass(frozen=True, slots=True)
class _Lines:
    """A new grid: beat times, and which of them begin bars and phrases. Times may lie outside the audio."""

    beats_us: Sequence[int]
    downbeats: Sequence[int]
    phrases: Sequence[int]


def half_a_beat_later(result: TrackAnalysis) -> TrackAnalysis:
    """Every beat half a beat later; bars and phrases go with them."""
    grid = _grid_of(result)
    beats = [grid.time(beat + 0.5) for beat in range(len(grid.beats_us) - 1)]
    lines = _Lines(beats, grid.downbeats, grid.phrases)
    return _laid_on(result, lines, tempo=lambda bpm: bpm)


def one_here(result: TrackAnalysis, at_us: int) -> TrackAnalysis:
    """The beat nearest to a time begins a bar and a phrase; the other bars and phrases move as far."""
    grid = _grid_of(result)
    beat = round(grid.position(at_us))
    bar = max(bisect_right(grid.downbeats, beat) - 1, 0)
    by_beats = beat - grid.downbeats[bar]
    by_bars = bar - max((bisect_left(grid.downbeats, line) for line in grid.phrases if line <= beat), default=0)
    downbeats = [line + by_beats for line in grid.downbeats]
    before = downbeats[0] - grid.beats_per_bar
    if before >= 0:
        downbeats.insert(0, before)
        bar += 1
    starts = {bisect_left(grid.downbeats, line) + by_bars + (before >= 0) for line in grid.phrases}
    first = min(starts)
    starts |= set(range(first - PHRASE_BARS, -1, -PHRASE_BARS))
    phrases = [downbeats[start] for start in sorted(starts) if start < len(downbeats)]
    return _laid_on(result, _Lines(grid.beats_us, downbeats, phrases), tempo=lambda bpm: bpm)


def a_beat_later(result: TrackAnalysis) -> TrackAnalysis:
    """Beats stay; bars and phrases begin one beat later."""
    grid = _grid_of(result)
    return one_here(result, grid.time(grid.phrases[0] + 1))


def moved(result: TrackAnalysis, by_us: int) -> TrackAnalysis:
    """The whole grid earlier or later by a few milliseconds."""
    if abs(by_us) > 1000 * MOST_NUDGE_MS:
        raise UnusableError(
            f"A grid is moved by at most {MOST_NUDGE_MS} milliseconds at a time. Write a smaller number."
        )
    grid = _grid_of(result)
    lines = _Lines([beat + by_us for beat in grid.beats_us], grid.downbeats, grid.phrases)
    return _laid_on(result, lines, tempo=lambda bpm: bpm)


def respaced(result: TrackAnalysis, reading: Reading) -> TrackAnalysis:
    """Another reading of the beat that the analysis kept: other tempo, other place, or other number of beats a bar."""
    grid = _grid_of(result)
    assert result.tempo_bpm is not None
    ratio = Fraction(reading.bpm / result.tempo_bpm).limit_denominator(12)
    if ratio <= 0:
        raise UnusableError("This reading cannot be laid on the track. Set the tempo by hand.")
    first = grid.position(reading.first_beat_us)
    step = float(1 / ratio)
    places = [first + step * number for number in range(-ceil(first / step), ceil((len(grid.beats_us) - first) / step))]
    beats = [grid.time(place) for place in places if 0 <= place <= len(grid.beats_us) - 1]
    lines = _regular(result, beats, reading.beats_per_bar, beats[_nearest(beats, _anchor(grid))])
    return _laid_on(result, lines, tempo=lambda bpm: bpm * float(ratio), beats_per_bar=reading.beats_per_bar)


def times_two(result: TrackAnalysis, *, faster: bool) -> TrackAnalysis:
    """Double or half the tempo; the first beat of a phrase stays one."""
    grid = _grid_of(result)
    assert result.tempo_bpm is not None
    bpm = result.tempo_bpm * (2 if faster else 0.5)
    _check(bpm)
    return respaced(result, Reading(bpm, _anchor(grid), result.beats_per_bar, 1.0, ""))


def steady(result: TrackAnalysis, bpm: float, at_us: int, beats_per_bar: int | None = None) -> TrackAnalysis:
    """One tempo throughout, with a beat at a time that begins a bar: for taps, and for tracks without a grid."""
    per_bar = beats_per_bar or result.beats_per_bar
    _check(bpm)
    if not 0 <= at_us <= result.duration_us:
        raise UnusableError("The beat must lie inside the track. Write a time such as 0:12.5.")
    beats = _from(at_us, bpm, result.duration_us)
    if len(beats) < 2:
        raise UnusableError("The track is too short for a beat of that tempo.")
    lines = _regular(result, beats, per_bar, at_us)
    changed = _laid_on(result, lines, tempo=lambda _: bpm, beats_per_bar=per_bar)
    segment = TempoSegment(changed.beats_us[0], bpm)
    return replace(changed, tempo_bpm=bpm, steady=True, tempo_segments=(segment,))


def tempo_from(result: TrackAnalysis, at_us: int, bpm: float) -> TrackAnalysis:
    """Another tempo from the beat nearest to a time on."""
    grid = _grid_of(result)
    _check(bpm)
    turn = round(grid.position(at_us))
    if not 0 < turn < len(grid.beats_us) - 1:
        raise UnusableError("The tempo must change inside the track. Choose a later place.")
    turn_us = grid.beats_us[turn]
    after = [beat for beat in _from(turn_us, bpm, result.duration_us) if beat > turn_us]
    beats = [*grid.beats_us[: turn + 1], *after]
    downbeats = [line for line in grid.downbeats if line <= turn]
    phrases = [line for line in grid.phrases if line <= turn]
    downbeats += range((downbeats[-1] if downbeats else turn) + grid.beats_per_bar, len(beats), grid.beats_per_bar)
    last = phrases[-1] if phrases else downbeats[0]
    step = grid.beats_per_bar * PHRASE_BARS
    phrases += [line for line in range(last + step, len(beats), step) if line in set(downbeats)]
    changed = _laid_on(result, _Lines(beats, downbeats, phrases or [last]), tempo=lambda old: old)
    before = [segment for segment in result.tempo_segments if segment.start_us < turn_us]
    return replace(changed, steady=False, tempo_segments=(*before, TempoSegment(turn_us, bpm)))


def _check(bpm: float) -> None:
    if not SLOWEST_BPM <= bpm <= FASTEST_BPM:
        raise UnusableError(
            f"That would be {bpm:.6g} beats a minute. A tempo lies between {SLOWEST_BPM:g} and {FASTEST_BPM:g}; "
            "write one such as 128."
        )


def _grid_of(result: TrackAnalysis) -> MusicalTime:
    grid = MusicalTime.of(result)
    if grid.timed:
        raise UnusableError("This track has no grid to correct yet. Set a tempo and the time of a beat first.")
    return grid


def _anchor(grid: MusicalTime) -> int:
    return grid.beats_us[grid.phrases[0]]


def _from(at_us: int, bpm: float, duration_us: int) -> list[int]:
    """Beats of one tempo over the whole audio, one of them at a time."""
    period = 60e6 / bpm
    first, last = -floor(at_us / period), floor((duration_us - at_us) / period)
    return [round(at_us + number * period) for number in range(first, last + 1)]


def _nearest(beats_us: Sequence[int], time_us: int) -> int:
    after = min(max(bisect_left(beats_us, time_us), 1), len(beats_us) - 1)
    return after - 1 if time_us - beats_us[after - 1] <= beats_us[after] - time_us else after


def _regular(result: TrackAnalysis, beats_us: Sequence[int], per_bar: int, anchor_us: int) -> _Lines:
    """Bars of one length through the anchor; phrases of eight bars, counted anew where a section begins on a bar."""
    anchor = _nearest(beats_us, anchor_us)
    downbeats = list(range(anchor % per_bar, len(beats_us), per_bar))
    beat_us = beats_us[1] - beats_us[0]
    starts = {anchor // per_bar}
    for section in result.sections:
        bar = _nearest([beats_us[line] for line in downbeats], section.start_us) if len(downbeats) > 1 else 0
        if abs(beats_us[downbeats[bar]] - section.start_us) < beat_us / 2:
            starts.add(bar)
    first = min(starts)
    marks = sorted({*starts, *range(first, -1, -PHRASE_BARS)})
    bars = [
        bar
        for start, end in zip(marks, [*marks[1:], len(downbeats)], strict=True)
        for bar in range(start, end, PHRASE_BARS)
    ]
    return _Lines(beats_us, downbeats, [downbeats[bar] for bar in bars])


def _laid_on(
    result: TrackAnalysis, lines: _Lines, *, tempo: Callable[[float], float], beats_per_bar: int | None = None
) -> TrackAnalysis:
    """The facts on new lines; beats outside the audio are left out."""
    inside = [beat for beat in lines.beats_us if 0 <= beat <= result.duration_us]
    if len(inside) < 2:
        raise UnusableError("Fewer than two beats of that grid lie inside the track. Choose another tempo or place.")
    offset = next(number for number, beat in enumerate(lines.beats_us) if beat >= 0)
    downbeats = tuple(lines.beats_us[line] for line in lines.downbeats if 0 <= line - offset < len(inside))
    phrases = tuple(lines.beats_us[line] for line in lines.phrases if 0 <= line - offset < len(inside))
    beats = tuple(inside)
    return replace(
        result,
        tempo_bpm=None if result.tempo_bpm is None else round(tempo(result.tempo_bpm), 4),
        tempo_segments=tuple(replace(part, bpm=round(tempo(part.bpm), 4)) for part in result.tempo_segments),
        grid_confidence=1.0,
        downbeat_confidence=1.0,
        phrase_confidence=1.0,
        metre_confidence=1.0,
        beats_per_bar=beats_per_bar or result.beats_per_bar,
        beats_us=beats,
        downbeats_us=downbeats,
        phrases_us=phrases or downbeats[:1],
        pickup_beats=bisect_left(beats, downbeats[0]) if downbeats else 0,
        energy=_energy(result, downbeats),
        contour=_contour(result, beats),
    )


def _energy(result: TrackAnalysis, downbeats_us: Sequence[int]) -> tuple[float, ...]:
    """The energy of the old bar in which each new bar begins."""
    if not result.energy or not result.downbeats_us:
        return result.energy
    old = [max(bisect_right(result.downbeats_us, line + 1) - 1, 0) for line in downbeats_us]
    return tuple(result.energy[min(bar, len(result.energy) - 1)] for bar in old)


def _contour(result: TrackAnalysis, beats_us: Sequence[int]) -> Contour:
    """The drawn curves, read at the middle of each new step; attacks as the strongest of the old steps it covers."""
    old = result.contour
    steps = old.steps_per_beat
    count = len(old.loudness)
    if not count:
        return old
    marks = result.beats_us if len(result.beats_us) > 1 else range(0, 1_000_000 * (count // steps + 1), 1_000_000)

    def place(time_us: float) -> float:
        beat = min(max(bisect_right(marks, time_us) - 1, 0), len(marks) - 2)
        return steps * (beat + (time_us - marks[beat]) / (marks[beat + 1] - marks[beat]))

    loudness, low, onsets = [], [], []
    edges = [left + (right - left) * step / steps for left, right in pairwise(beats_us) for step in range(steps)]
    places = [place(edge) for edge in (*edges, beats_us[-1])]
    for start, end in pairwise(places):
        middle = floor((start + end) / 2)
        inside = 0 <= middle < count
        loudness.append(old.loudness[middle] if inside else 0)
        low.append(old.low[middle] if inside else 0)
        first, last = max(floor(start + 1e-6), 0), min(max(ceil(end - 1e-6), floor(start) + 1), count)
        onsets.append(max(old.onsets[first:last], default=0) if old.onsets else 0)
    return Contour(steps, tuple(loudness), tuple(low), tuple(onsets))
