"""The paths inside a strip of the phrase rows: loudness as one area, the low end as a strip of boxes (pure).

A strip is drawn in units of a sixteenth of a beat from its left edge, 48 units high.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right

from analysis_worker.core.results import Contour
from crewprep.analysis.musical_time import MusicalTime

UNITS_PER_BEAT = 16
CONTOUR_HEIGHT = 40
BASS_TOP, BASS_HEIGHT = 43, 5

_FINE_STEPS, _COARSE_STEPS, _MANY_BEATS = 8, 4, 4_000
_SOLID, _PARTLY = 128, 40
"""Least mean of the low end (0 to 255) for a solid and for a hollow box."""
_MOST_BARS_IN_A_STRIP = 64


def contour_path(contour: Contour, time: MusicalTime, left: float, start: float, end: float) -> str:
    """One area over the base line from ``start`` to ``end``, each point the highest value of its step.

    Eight points a beat, four in very long tracks; empty where the contour does not reach.
    """
    values, fine, lead = contour.loudness, contour.steps_per_beat, time.heard_from
    per = max(1, fine // (_FINE_STEPS if len(time.beats_us) <= _MANY_BEATS else _COARSE_STEPS))
    first = max(0, int((start - lead) * fine)) // per * per
    last = min(len(values), int((end - lead) * fine))
    starts = range(first, last, per)
    if not starts:
        return ""
    edge = (lead - left) * UNITS_PER_BEAT
    across = [number(edge + index * UNITS_PER_BEAT / fine) for index in (*starts, last)]
    levels = [_LEVELS[max(values[index : index + per])] for index in starts]
    points = " ".join(f"{x} {level}" for x, level in zip(across, levels, strict=False))
    return f"M{across[0]} {CONTOUR_HEIGHT}L{points} {across[-1]} {levels[-1]} {across[-1]} {CONTOUR_HEIGHT}Z"


class BassStrip:
    """How much low end each bar has: solid, partly (hollow) or absent (hatched)."""

    def __init__(self, contour: Contour, time: MusicalTime) -> None:
        lead, steps = time.heard_from, contour.steps_per_beat
        known = lead + len(contour.low) // max(1, steps)
        edges = [lead, *(beat for beat in time.downbeats if lead < beat < known), known]
        self.bars: list[tuple[int, int, int]] = []
        for start, end in itertools.pairwise(edges):
            values = contour.low[(start - lead) * steps : (end - lead) * steps]
            if values:
                mean = sum(values) / len(values)
                self.bars.append((start, end, 0 if mean >= _SOLID else 1 if mean >= _PARTLY else 2))

    def paths(self, left: float, start: float, end: float) -> tuple[str, str, str]:
        """Boxes of the three kinds between two positions; neighbours of one kind are joined."""
        runs: list[tuple[float, float, int]] = []
        first = max(0, bisect_right(self.bars, start, key=lambda bar: bar[0]) - 1)
        for bar_start, bar_end, kind in self.bars[first : first + _MOST_BARS_IN_A_STRIP]:
            a, b = max(start, bar_start), min(end, bar_end)
            if b - a < 0.01:
                continue
            if runs and runs[-1][2] == kind:
                runs[-1] = (runs[-1][0], b, kind)
            else:
                runs.append((a, b, kind))
        paths = ["", "", ""]
        for a, b, kind in runs:
            width = number((b - a) * UNITS_PER_BEAT)
            paths[kind] += f"M{x_of(a, left)} {BASS_TOP}h{width}v{BASS_HEIGHT}H{x_of(a, left)}z"
        return paths[0], paths[1], paths[2]


def between(beats: tuple[int, ...], first: float, last: float) -> tuple[int, ...]:
    """The beats from ``first`` up to ``last``, both included."""
    return beats[bisect_left(beats, first) : bisect_right(beats, last)]


def x_of(position: float, left: float) -> str:
    """A position in drawing units from the strip's left edge."""
    return number((position - left) * UNITS_PER_BEAT)


def number(value: float) -> str:
    """A number for a path, no longer than it needs to be."""
    tenths = round(value * 10)
    return str(tenths // 10) if tenths % 10 == 0 else str(tenths / 10)


_LEVELS = tuple(number(CONTOUR_HEIGHT - (CONTOUR_HEIGHT - 2) * value / 255) for value in range(256))
"""Heights of the contour for its values 0 to 255."""
