"""A track's picture in lists: its page of phrase rows, very small (pure; no Django).

One line a phrase, one box a bar, room before a section: full where the low end is there, hollow where it is not. Drawn
in units of which a bar is four wide and a row three high.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from typing import TypedDict

from analysis_worker.core.results import TrackAnalysis
from crewprep.analysis.musical_time import PHRASE_BARS, MusicalTime

BAR, ROW, STANZA = 4, 3, 2
WIDTH = BAR * PHRASE_BARS
_LOW = 255 * 0.35
"""From this mean of the low end on a bar is full (own choice)."""


class Thumbnail(TypedDict):
    """The height in units (the width is ``WIDTH``), and the boxes of bars with and without low end as SVG paths."""

    height: int
    full: str
    hollow: str


def thumbnail_of(result: TrackAnalysis) -> Thumbnail:
    """Draw a track; nothing but a height of one row where it has no grid."""
    grid = MusicalTime.of(result)
    if grid.timed:
        return Thumbnail(height=ROW, full="", hollow="")
    steps = result.contour.steps_per_beat
    breaks = sorted(round(grid.position(section.start_us)) for section in result.sections)
    full: list[str] = []
    hollow: list[str] = []
    top = 0
    for first, last in pairwise([*grid.phrases, len(grid.beats_us)]):
        bars = grid.downbeats[bisect_left(grid.downbeats, first) : bisect_left(grid.downbeats, last)]
        starts = [(beat - grid.heard_from) * steps for beat in bars[:PHRASE_BARS]]
        lows = [result.contour.low[max(0, start) : start + grid.beats_per_bar * steps] for start in starts]
        if not any(lows):
            continue  # carried on past what was heard
        near = bisect_left(breaks, first - 1)
        if top and near < len(breaks) and breaks[near] <= first + 1:
            top += STANZA
        for column, low in enumerate(lows):
            if low:
                box = f"M{column * BAR} {top}h{BAR - 1}v{ROW - 1}h-{BAR - 1}z"
                (full if sum(low) / len(low) >= _LOW else hollow).append(box)
        top += ROW
    return Thumbnail(height=max(top, ROW), full="".join(full), hollow="".join(hollow))
