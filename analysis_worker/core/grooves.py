"""What lies between drops: intro, bridge, breakdown without a drop after it, outro."""

from __future__ import annotations

import numpy as np

from analysis_worker.core.changes import ELSEWHERE
from analysis_worker.core.spans import AROUND_BARS, FULL, Facts, Span, bar_count, signed, sure
from analysis_worker.core.units import ramp

_MIN_BREAKDOWN_BARS = 4
_MIN_PLAIN_BREAKDOWN_BARS = 8
_MIN_BRIDGE_BARS = 4
_MIN_GROOVE_BARS = 8
"""A breakdown breaks a groove: what comes sooner is part of the intro."""


def grooves(
    facts: Facts, gaps: list[tuple[int, int]], start: int, end: int, *, opening: bool, closing: bool
) -> list[Span]:
    """Sections of a stretch that has no drop: intro at its start, outro at its end, bridges and breakdowns between."""
    body_start = _intro_end(facts, gaps, start, end) if opening else start
    body_end = _outro_start(facts, gaps, body_start, end, after_drop=not opening) if closing else end
    spans = []
    if body_start > start:
        spans.append(_intro(facts, start, body_start, before_lead=body_start == end))
    place = body_start
    for gap_start, gap_end in gaps:
        inside = max(gap_start, place), min(gap_end, body_end)
        length = inside[1] - inside[0]
        returns = gap_end < len(facts) and facts.mean(facts.full, gap_end, gap_end + AROUND_BARS) >= FULL
        shortest = _MIN_PLAIN_BREAKDOWN_BARS if opening and closing else _MIN_BREAKDOWN_BARS
        if (
            inside[0] >= body_end
            or length < shortest
            or not returns
            or inside[0] < (_MIN_GROOVE_BARS if opening else 1)
        ):
            continue
        spans += _bridges(facts, place, inside[0])
        fall = -facts.step(facts.bars.low_db, inside[0])
        confidence = sure(0.3 + 0.3 * float(ramp(fall, 3, 12)) + 0.2 * (1 - facts.mean(facts.full, *inside)))
        reason = f"kick and low end leave (low end {signed(-fall)} dB) for {bar_count(length)}, and no drop follows"
        spans.append(Span(*inside, "breakdown", confidence, reason))
        place = inside[1]
    spans += _bridges(facts, place, body_end)
    if end > body_end:
        spans.append(_outro(facts, body_end, end))
    return spans


def _intro_end(facts: Facts, gaps: list[tuple[int, int]], start: int, end: int) -> int:
    """First change point from which kick, low end and the middle are all there for 16 bars or more; else the first
    breakdown, else ``end``. A stretch that is full from its first bar has no intro."""
    middle = facts.bars.mid_db
    usual = float(np.percentile(middle, 60))
    stop = next((gap for gap, _ in gaps if start + _MIN_GROOVE_BARS <= gap < end), end)
    if end < len(facts) and stop - start <= 20:
        return stop
    for point in facts.points:
        if start <= point < stop and stop - point >= 16:
            window = slice(point, min(point + 8, stop))
            if np.mean(facts.full[window]) >= 0.8 and np.mean(middle[window]) >= usual - 3.0:
                return point
    return stop


def _outro_start(facts: Facts, gaps: list[tuple[int, int]], start: int, end: int, *, after_drop: bool) -> int:
    """Where the last stretch begins that stays below what came before it, or ``end`` where a track stops at its
    height."""
    bars = facts.bars
    points = [point for point in facts.points if start <= point < end and end - point >= 2]
    if after_drop:
        # What follows the last drop is outro as soon as no full groove of 16 bars comes back after a gap.
        back = [gap_end for _, gap_end in gaps if start < gap_end < end and end - gap_end >= 16]
        if not back:
            return start
        return next((point for point in points if point > back[-1]), end)
    start_of_outro, most = end, 1.0
    for point in reversed(points):
        if point <= start or end - point > 0.34 * len(facts):
            break
        if facts.kinds[point] == ELSEWHERE:
            continue  # the last bars fade or ring out; a section begins on a phrase
        before, after = slice(max(start, point - 16), point), slice(point, end)
        falls = float(np.mean(bars.level_db[before]) - np.mean(bars.level_db[after]))
        thins = float(np.mean(facts.full[before]) - np.mean(facts.full[after]))
        fall = max(falls / 1.5, thins / 0.2)
        if fall >= most:
            start_of_outro, most = point, fall
    return start_of_outro


def _intro(facts: Facts, start: int, end: int, *, before_lead: bool) -> Span:
    without = int(np.sum(facts.full[start:end] < 0.8))
    length = bar_count(end - start)
    if without:
        reason = f"the track starts here; kick, low end or bass are missing in {without} of {length}"
    else:
        reason = f"the track starts here and plays {length} before its first change"
    confidence = sure(0.5 + 0.3 * without / (end - start) + 0.15 * float(facts.novelty[end] if end < len(facts) else 0))
    return Span(start, end, "intro", confidence if before_lead else confidence * 0.9, reason)


def _outro(facts: Facts, start: int, end: int) -> Span:
    falls = facts.mean(facts.bars.level_db, max(0, start - 16), start) - facts.mean(facts.bars.level_db, start, end)
    confidence = sure(0.45 + 0.25 * float(ramp(falls, 0.5, 4.0)) + 0.2 * float(facts.novelty[start]))
    reason = f"level falls by {max(falls, 0.0):.1f} LU for the last {bar_count(end - start)} and does not come back"
    return Span(start, end, "outro", confidence, reason)


def _bridges(facts: Facts, start: int, end: int) -> list[Span]:
    """One groove, or several where a section likely begins inside."""
    if end <= start:
        return []
    cuts = [start]
    for point in facts.points:
        if cuts[-1] + _MIN_BRIDGE_BARS <= point <= end - _MIN_BRIDGE_BARS:
            cuts.append(point)
    spans = []
    for first, last in zip(cuts, [*cuts[1:], end], strict=True):
        confidence = sure(0.35 + 0.3 * float(facts.novelty[first]) + (0.1, 0.05, 0.0)[facts.kinds[first]])
        if facts.mean(facts.full, first, last) >= FULL:
            reason = f"kick and low end play on for {bar_count(last - first)} without a drop"
        else:
            reason = f"{bar_count(last - first)} of their own, without a return of the low end"
        spans.append(Span(first, last, "bridge", confidence, reason))
    return spans
