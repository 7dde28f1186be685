"""Seams of loops: how well the end of a span of bars joins its start.

At the seam the ear hears what comes before the end, then what comes after the start. The join is as good as it is like
one that the music itself makes: a bar line within the loop (or at either end of it) before which the music sounds as
before the end, and after which it sounds as after the start. Sides of bar lines are compared over 250 ms by their
spectrum (log mel), by the shape of their low end (normalised correlation below 150 Hz, within ±2 ms), and by their
level (a step of 0.5 dB is not heard). A seam of 1 is a seam that nobody hears; the join of unlike music is near 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy import signal

from analysis_worker.core.features import Frames, average_between
from analysis_worker.core.results import Loop, LoopPlace
from analysis_worker.core.sections import Span
from analysis_worker.core.units import power_to_db, ramp, to_us

LENGTHS_BARS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
"""Lengths that are compared."""

_WINDOW_S = 0.25
_PARTS = 5
_LOW_RATE = 2_205
_LAG_S = 0.002
_FLOOR_DB = 50.0
_MEL_FREE_DB, _MEL_FULL_DB = 1.5, 12.0
_KEEP = 4
_HEARD = 0.2
_SAME_DB = 0.25
"""Steps that differ by less count as equal: what is played twice the same is never quite the same in a window."""
NATURAL_RANK = 0.9
"""A seam may step as far as 90 % of the track's own bar lines do (design, section A11)."""
_AS_PLAYED = 0.9
"""From this seam on the join is one that the music makes itself, fill included, however large its step."""
_PLACES: tuple[LoopPlace, ...] = ("entry", "exit")


@dataclass(frozen=True, slots=True)
class BarLines:
    """What is heard around each bar line: ``after``/``before`` (bars + 1, parts x mel) in dB,
    ``low_after``/``low_before`` (bars + 1, samples) below 150 Hz, ``level`` (bars + 1, 2) in dB after and before."""

    after: NDArray[np.float64]
    before: NDArray[np.float64]
    low_after: NDArray[np.float32]
    low_before: NDArray[np.float32]
    level: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.after)


def bar_lines(mono: NDArray[np.float32], sample_rate: int, frames: Frames, edges_s: NDArray[np.float64]) -> BarLines:
    """Cut out the surroundings of each bar line."""
    loudest = float(power_to_db(np.max(frames.mel, initial=0.0)))
    sides = []
    for shift in (0.0, -_WINDOW_S):
        starts = edges_s + shift
        inner = (starts[:, None] + np.linspace(0, _WINDOW_S, _PARTS + 1)[None]).ravel()
        # Neighbouring bar lines are not neighbouring windows, so each window is averaged by itself.
        means = average_between(frames.mel, frames.hop_s, np.maximum.accumulate(np.maximum(inner, 0.0)))
        means = np.vstack([means, means[-1:]]).reshape(len(edges_s), _PARTS + 1, -1)[:, :_PARTS]
        sides.append(np.maximum(power_to_db(means), loudest - _FLOOR_DB))
    low = soxr.resample(mono, sample_rate, _LOW_RATE, quality="HQ")
    sos = signal.butter(2, 150.0, "lowpass", fs=_LOW_RATE, output="sos")
    low = signal.sosfiltfilt(sos, low).astype(np.float32) if len(low) > 32 else low
    length = int(_WINDOW_S * _LOW_RATE)
    margin = length + int(np.ceil(_LAG_S * _LOW_RATE)) + 1
    padded = np.pad(low, (margin, margin))
    places = np.clip(np.round(edges_s * _LOW_RATE).astype(np.int64), 0, len(low)) + margin
    span = np.arange(length)
    level = np.column_stack([power_to_db(np.mean(10 ** (side / 10), axis=(1, 2))) for side in sides])
    count = len(edges_s)
    return BarLines(
        sides[0].reshape(count, -1),
        sides[1].reshape(count, -1),
        padded[places[:, None] + span],
        padded[places[:, None] - length + span],
        level,
    )


class Seams:
    """The seams of all loops of a track up to 32 bars."""

    def __init__(self, lines: BarLines) -> None:
        self._lines = len(lines)
        reach = range(min(max(LENGTHS_BARS), len(lines) - 1) + 1) if len(lines) else range(0)
        self._after = [_alike(lines.after, lines.low_after, lines.level[:, 0], apart) for apart in reach]
        self._before = [_alike(lines.before, lines.low_before, lines.level[:, 1], apart) for apart in reach]
        self._ends = lines.before.reshape(len(lines), _PARTS, -1).mean(axis=1)
        self._starts = lines.after.reshape(len(lines), _PARTS, -1).mean(axis=1)
        self._natural = np.sort(_distance(self._ends[1:-1], self._starts[1:-1]))

    def of_length(self, bars: int) -> NDArray[np.float64]:
        """Seam of every loop of that many bars, by its first bar; empty where none fits."""
        if not 1 <= bars < len(self._after):
            return np.zeros(0)
        count = self._lines - bars
        best = np.zeros(count)
        for model in range(bars + 1):
            # The model is the bar line so many bars into the loop.
            after = self._after[model][:count]
            before = self._before[bars - model][model : model + count]
            best = np.maximum(best, after * before)
        return best

    def ranks(self, bars: int) -> NDArray[np.float64]:
        """For every loop of that many bars, by its first bar: the share of the track's inner bar lines at which the
        sound steps less than at the loop's seam."""
        if not 1 <= bars < len(self._after) or not len(self._natural):
            return np.zeros(0)
        steps = _distance(self._ends[bars:], self._starts[: self._lines - bars])
        below: NDArray[np.float64] = np.searchsorted(self._natural, steps - _SAME_DB, side="left") / len(self._natural)
        return below


def _distance(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Root mean square difference of rows in decibels."""
    distance: NDArray[np.float64] = np.sqrt(np.mean((a - b) ** 2, axis=1))
    return distance


def _alike(
    spectrum: NDArray[np.float64], low: NDArray[np.float32], level: NDArray[np.float64], apart: int
) -> NDArray[np.float64]:
    """Likeness (0 to 1) of one side of each bar line with that of the bar line so many bars later."""
    one, other = slice(0, len(spectrum) - apart), slice(apart, None)
    if apart == 0:
        return np.ones(len(spectrum))
    mel = 1 - ramp(np.mean(np.abs(spectrum[one] - spectrum[other]), axis=1), _MEL_FREE_DB, _MEL_FULL_DB)
    step = 1 - ramp(np.abs(level[one] - level[other]), 0.5, 6.0)
    alike: NDArray[np.float64] = (0.6 * mel + 0.4 * _likeness(low[one], low[other])) * step
    return alike


def find_loops(
    lines: BarLines,
    spans: Sequence[Span],
    energy: NDArray[np.float64],
    edges_s: NDArray[np.float64],
    sung: NDArray[np.bool_] | None = None,
) -> tuple[Loop, ...]:
    """For each usual length: the loops at section starts, the best ones to enter by and the best ones to leave by.

    All of them are ordered by time and length. A loop to leave by lies in the last third of the track or in its outro,
    one to enter by in its intro or first third; both lie inside one section where energy is steady, something is heard
    and nobody sings (``sung``, one value a bar), and their seam is no worse than 90 % of the track's own bar lines, or
    is a join that the music makes itself.
    """
    found: dict[tuple[int, int], tuple[float, float, LoopPlace]] = {}
    seams = Seams(lines)
    voice = np.zeros(len(energy), dtype=bool) if sung is None else sung
    for length in LENGTHS_BARS:
        score, ranks = seams.of_length(length), seams.ranks(length)
        if not len(ranks):
            continue
        for span in spans:
            if span.start < len(score):
                found[span.start, length] = float(score[span.start]), float(ranks[span.start]), "inner"
        for place in _PLACES:
            for bar in _best(place, score, ranks, length, spans, energy, voice):
                found[bar, length] = float(score[bar]), float(ranks[bar]), place
    return tuple(
        Loop(to_us(edges_s[bar]), to_us(edges_s[bar + length]), length, round(seam, 3), round(rank, 3), place)
        for (bar, length), (seam, rank, place) in sorted(found.items())
    )


def loop_worth(seam: float, rank: float) -> float:
    """What a loop is worth by how it joins: its seam, and how few of the track's own bar lines step less (own choice
    of weights: phrase starts count 0.15 beside it)."""
    return 0.5 * seam + 0.8 * (1.0 - rank)


def _best(
    place: LoopPlace,
    score: NDArray[np.float64],
    ranks: NDArray[np.float64],
    length: int,
    spans: Sequence[Span],
    energy: NDArray[np.float64],
    voice: NDArray[np.bool_],
) -> list[int]:
    """First bars of the best loops to enter or leave by: up to four in intro or outro, and up to four near them."""
    home = "outro" if place == "exit" else "intro"
    third = len(energy) // 3
    chosen: list[int] = []
    for at_home in (True, False):
        candidates = []
        for span in spans:
            if (span.role == home) != at_home or span.role in ("breakdown", "build-up"):
                continue
            first, last = span.start, min(span.end - length, len(score) - 1)
            if not at_home:
                first, last = (max(first, 2 * third), last) if place == "exit" else (first, min(last, third))
            for bar in range(first, last + 1):
                inside = slice(bar, bar + length)
                if float(np.mean(energy[inside])) < _HEARD or np.any(voice[inside]):
                    continue
                if ranks[bar] > NATURAL_RANK and score[bar] < _AS_PLAYED:
                    continue
                count = (bar - span.start) % 8
                whole = 0.15 if count == 0 else 0.08 if count == 4 else 0.0
                worth = loop_worth(float(score[bar]), float(ranks[bar])) - 0.3 * float(np.ptp(energy[inside])) + whole
                candidates.append((worth, bar))
        candidates.sort(key=lambda item: (-round(item[0], 3), item[1]))
        chosen += [bar for _, bar in candidates[:_KEEP]]
    return sorted(chosen)


def _likeness(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float64]:
    """Normalised correlation of rows, the best within ±2 ms, from 0 to 1; two rows without low end are alike."""
    lag = int(np.ceil(_LAG_S * _LOW_RATE))
    best = np.zeros(len(a))
    for shift in range(-lag, lag + 1):
        left = a[:, max(0, shift) : a.shape[1] + min(0, shift)]
        right = b[:, max(0, -shift) : b.shape[1] + min(0, -shift)]
        norm = np.sqrt(np.sum(left**2, axis=1, dtype=np.float64) * np.sum(right**2, axis=1, dtype=np.float64))
        best = np.maximum(best, np.sum(left * right, axis=1, dtype=np.float64) / np.maximum(norm, 1e-12))
    power_a, power_b = np.mean(a**2, axis=1), np.mean(b**2, axis=1)
    loudest = max(float(power_a.max(initial=0)), float(power_b.max(initial=0)))
    silent = np.maximum(power_a, power_b) < 1e-4 * loudest + 1e-12
    return np.where(silent, 1.0, np.clip(best, 0.0, 1.0))
