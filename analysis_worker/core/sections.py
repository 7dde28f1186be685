"""Sections on bar lines, each with a role, a confidence and a reason in words.

What the roles mean here:

- a **drop** is where kick and low end return together after at least four bars without them, clearly above what came
  before (2 LU louder or 6 dB more low end), and stay for eight bars; so no drop is ever named without a contrast before it;
- a **build-up** leads into a drop: attacks, level or brightness rise over its last 2 to 16 bars while the bass is away;
- a **breakdown** is the rest of a stretch without kick or low end, before a build-up, a drop or a further groove;
- an **intro** is what comes before the first of these, an **outro** what follows the last drop once the level or a
  part of it has left for good, a **bridge** any other groove.

Music in which nothing drops gets plain sections: intro, bridge, outro, and a breakdown only where kick and low end rest for
eight bars and come back.

The work goes backwards from the drops, as people who prepare tracks do: find the returns, then what leads to each.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.changes import change_points, feature_matrix, novelty, phrase_kinds
from analysis_worker.core.features import BarFeatures
from analysis_worker.core.results import Role
from analysis_worker.core.units import ramp

_FULL = 0.6
_WHOLE = 0.85
_MIN_GAP_BARS = 4
_MIN_DROP_BARS = 8
_MIN_BREAKDOWN_BARS = 4
_MIN_PLAIN_BREAKDOWN_BARS = 8
_LONGEST_BUILD_UP_BARS = 16
_USUAL_LENGTHS = {8: 1.0, 16: 0.85, 4: 0.8, 12: 0.5}
"""How common build-ups of so many bars are against those of 8 (own judgement; Harmonix: 68 % of sections in dance music
are a multiple of 8 bars long, 81 % of 4)."""
_AROUND_BARS = 4
_DROP_LU, _DROP_LOW_DB = 2.0, 6.0


@dataclass(frozen=True, slots=True)
class Span:
    """A section in bars, from ``start`` up to and without ``end``."""

    start: int
    end: int
    role: Role
    confidence: float
    reason: str

    @property
    def bars(self) -> int:
        """Length in bars."""
        return self.end - self.start


@dataclass(slots=True)
class _Facts:
    """What the rules look at, once per track."""

    bars: BarFeatures
    matrix: NDArray[np.float64]
    kinds: NDArray[np.int64]
    novelty: NDArray[np.float64]
    points: list[int]
    full: NDArray[np.float64] = field(init=False)
    """How much of kick, low end and bass is there (0 to 1), against the bars that have most of them."""

    def __post_init__(self) -> None:
        bars = self.bars
        low = ramp(
            bars.low_db, float(np.percentile(bars.low_db, 90)) - 14.0, float(np.percentile(bars.low_db, 90)) - 4.0
        )
        top_bass = float(np.percentile(bars.bass_db, 90))
        bass = ramp(bars.bass_db, top_bass - 14.0, top_bass - 4.0)
        self.full = (low + bass + ramp(bars.kick, 0.25, 0.75)) / 3

    def __len__(self) -> int:
        return len(self.bars)

    def step(self, values: NDArray[np.float64], bar: int) -> float:
        """Change of a figure at a bar line: the mean of the four bars from it less that of the four before."""
        before, after = values[max(0, bar - _AROUND_BARS) : bar], values[bar : bar + _AROUND_BARS]
        return float(np.mean(after) - np.mean(before)) if len(before) and len(after) else 0.0

    def mean(self, values: NDArray[np.float64], start: int, end: int) -> float:
        """Mean of a figure over bars."""
        return float(np.mean(values[start:end])) if end > start else 0.0


def find_sections(bars: BarFeatures, phrase_bars: NDArray[np.int64]) -> tuple[Span, ...]:
    """Name the sections of a track; they follow each other without gaps from bar 0 to the last.

    ``phrase_bars`` are the bar numbers at which phrases start. A track of silence has no sections.
    """
    count = len(bars)
    if count == 0 or float(np.max(bars.level_db)) <= -100.0:
        return ()
    matrix = feature_matrix(bars)
    kinds = phrase_kinds(count, phrase_bars)
    strength = novelty(matrix)
    facts = _Facts(bars, matrix, kinds, strength, change_points(matrix, kinds, strength))
    gaps = _gaps(facts)
    drops = [gap for gap in gaps if _is_drop(facts, gap, gaps)]
    spans = _with_drops(facts, gaps, drops) if drops else _plain(facts, gaps)
    return tuple(_joined(spans))


def _gaps(facts: _Facts) -> list[tuple[int, int]]:
    """Stretches of at least four bars without kick and low end, as (start, end), edges drawn to the clearest bar line."""
    empty = facts.full < _FULL
    # One bar of pause or fill belongs to what surrounds it.
    for bar in range(1, len(empty) - 1):
        if empty[bar - 1] == empty[bar + 1] != empty[bar] and not (bar >= 2 and empty[bar - 2] == empty[bar]):
            empty[bar] = empty[bar - 1]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int8)))
    found = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start = _clearest(facts, start, -1.0) if start > 0 else 0
        end = _clearest(facts, end, 1.0) if end < len(facts) else len(facts)
        # A kick that comes back alone, with no bass below it, belongs to the climb.
        if (
            found
            and found[-1][0] > 0
            and start - found[-1][1] <= 8
            and np.all(facts.full[found[-1][1] : start] < _WHOLE)
        ):
            found[-1] = found[-1][0], end
        elif end > start:
            found.append((start, end))
    return [(start, end) for start, end in found if end - start >= _MIN_GAP_BARS]


def _clearest(facts: _Facts, bar: int, direction: float) -> int:
    """The bar line within two bars at which the fullness steps most in the direction, phrase lines preferred."""
    best, best_score = bar, -np.inf
    for other in range(max(1, bar - 2), min(len(facts) - 1, bar + 2) + 1):
        step = direction * (facts.step(facts.full, other) + float(facts.full[other] - facts.full[other - 1]))
        score = step + 0.1 * facts.novelty[other] + (0.12, 0.06, 0.0)[facts.kinds[other]] - 0.02 * abs(other - bar)
        if score > best_score:
            best, best_score = other, score
    return best


def _is_drop(facts: _Facts, gap: tuple[int, int], gaps: list[tuple[int, int]]) -> bool:
    start, bar = gap
    held_until = next((other for other, _ in gaps if other > bar), len(facts))
    if bar >= len(facts) or held_until - bar < _MIN_DROP_BARS:
        return False
    louder = facts.step(facts.bars.level_db, bar)
    lower = facts.step(facts.bars.low_db, bar)
    # A build-up may be louder than its drop while it lacks the low end, so either figure is enough, but kick and low
    # end must both have been away.
    contrast = louder >= _DROP_LU or lower >= _DROP_LOW_DB
    together = facts.mean(facts.full, bar, bar + _AROUND_BARS) - facts.mean(facts.full, bar - _AROUND_BARS, bar) >= 0.35
    if not (contrast and together):
        return False
    if start > 0:
        return True
    # The first entry of kick and bass is the end of an intro, unless something leads into it.
    return _build_up(facts, start, bar)[1] >= 0.5


def _build_up(facts: _Facts, start: int, drop: int) -> tuple[int, float]:
    """Where the build-up before ``drop`` starts, not before ``start``, and how sure that is; ``drop`` itself for none."""
    best, best_score = drop, 0.0
    for bar in range(max(start, drop - _LONGEST_BUILD_UP_BARS), drop - 1):
        if 0 < bar - start < _MIN_BREAKDOWN_BARS:
            continue
        place = (1.0, 0.85, 0.4)[facts.kinds[bar]] if bar > start else 1.0
        usual = _USUAL_LENGTHS.get(drop - bar, 0.3)
        # Without a change at its start, a stretch may be a build-up as a whole; a clear change is the better sign.
        edge = _edge(facts, bar) if bar > start else 0.5
        score = _rise(facts.bars, bar, drop) * (0.3 + 0.7 * edge) * place * usual
        if score > best_score:
            best, best_score = bar, score
    if best_score < 0.2:
        return drop, 0.0
    return best, float(np.clip(0.25 + 0.8 * best_score, 0.0, 0.95))


def _rise(bars: BarFeatures, start: int, end: int) -> float:
    """How clearly level, brightness and attacks grow over bars (0 to 1): the mean of the two clearest of them."""
    part = max(1, (end - start) // 4)
    first, last = slice(start, start + part), slice(end - part, end)
    signs = [
        ramp(np.mean(values[last]) - np.mean(values[first]), low, high)
        for values, low, high in (
            (bars.level_db, 0.5, 4.0),
            (bars.high_db, 2.0, 9.0),
            (bars.centroid, 0.2, 1.5),
            (bars.onsets, 0.2, 1.5),
        )
    ]
    return float(np.mean(np.sort(signs)[-2:]))


def _edge(facts: _Facts, bar: int) -> float:
    """How much the two bars from a bar line differ from the two before it (0 to 1)."""
    before, after = facts.matrix[max(0, bar - 2) : bar], facts.matrix[bar : bar + 2]
    distance = float(np.sum((before.mean(axis=0) - after.mean(axis=0)) ** 2))
    return distance / (distance + 10.0)


def _slope(values: NDArray[np.float64]) -> float:
    if len(values) < 2:
        return 0.0
    place = np.arange(len(values)) - (len(values) - 1) / 2
    return float(np.sum(place * values) / np.sum(place**2))


def _with_drops(facts: _Facts, gaps: list[tuple[int, int]], drops: list[tuple[int, int]]) -> list[Span]:
    spans: list[Span] = []
    done = 0
    for number, (gap_start, drop) in enumerate(drops):
        if number == 0:
            spans += _opening(facts, gaps, gap_start)
        else:
            spans += _after_drop(facts, gaps, done, gap_start, last=False)
        spans += _lead(facts, gap_start, drop)
        next_gap = next((start for start, _ in gaps if start > drop), len(facts))
        end = _drop_end(facts, drop, next_gap)
        spans.append(_drop_span(facts, gap_start, drop, end))
        done = end
    return spans + _after_drop(facts, gaps, done, len(facts), last=True)


def _opening(facts: _Facts, gaps: list[tuple[int, int]], end: int) -> list[Span]:
    """Everything before the stretch that leads to the first drop."""
    if end == 0:
        return []
    return _groove(facts, gaps, 0, end, opening=True, closing=False)


def _lead(facts: _Facts, start: int, drop: int) -> list[Span]:
    """A stretch without kick and low end, divided into breakdown and build-up."""
    bars = facts.bars
    turn, sure = _build_up(facts, start, drop)
    spans: list[Span] = []
    if turn - start >= 1:
        if turn - start < 2 and turn < drop:
            turn = start
        else:
            depth = facts.mean(facts.full, start, turn)
            fall = -facts.step(bars.low_db, start) if start else 0.0
            first = start == 0
            confidence = _sure(0.4 + 0.3 * float(ramp(fall, 3, 12)) + 0.25 * (1 - depth) + 0.1 * (turn - start >= 8))
            reason = (
                f"kick and low end are away for its {_bars(turn - start)}"
                if first
                else f"kick and low end leave (low end {_signed(-fall)} dB) for {_bars(turn - start)}"
            )
            spans.append(Span(start, turn, "intro" if first else "breakdown", confidence, reason))
    if turn < drop:
        half = max(1, (drop - turn) // 2)
        parts = []
        early, late = facts.mean(bars.onsets, turn, turn + half), facts.mean(bars.onsets, drop - half, drop)
        if late - early >= 0.3:
            parts.append(f"attacks grow from {early:.1f} to {late:.1f} a beat")
        louder = float(bars.level_db[drop - 1] - bars.level_db[turn])
        louder = max(louder, _slope(bars.level_db[turn:drop]) * (drop - turn - 1))
        if louder >= 1.0:
            parts.append(f"level rises by {louder:.0f} LU")
        if not parts:
            parts.append("the sound grows brighter")
        spans.append(
            Span(
                turn, drop, "build-up", _sure(sure), f"{' and '.join(parts)} over {_bars(drop - turn)} before the drop"
            )
        )
    return spans


def _drop_span(facts: _Facts, gap_start: int, drop: int, end: int) -> Span:
    low, louder = facts.step(facts.bars.low_db, drop), facts.step(facts.bars.level_db, drop)
    gap = drop - gap_start
    held = min(end - drop, 16)
    confidence = _sure(
        0.35
        + 0.25 * float(ramp(max(low / 3, louder), 1.0, 4.0))
        + 0.15 * float(ramp(facts.mean(facts.full, drop, drop + held), 0.6, 0.95))
        + (0.15, 0.08, 0.0)[facts.kinds[drop]]
        + 0.1 * (gap >= 8)
    )
    reason = f"low end returns with {_signed(low)} dB after {_bars(gap)} without"
    if louder >= 1.0:
        reason += f", {louder:.0f} LU louder than before"
    return Span(drop, end, "drop", confidence, reason)


def _drop_end(facts: _Facts, drop: int, limit: int) -> int:
    """Where a drop gives way to a thinner groove, at the latest at ``limit``: a change point after which level or parts
    stay below those of the drop."""
    bars = facts.bars
    body = slice(drop, min(drop + 16, limit))
    for point in facts.points:
        if not drop + _MIN_DROP_BARS <= point < limit:
            continue
        length = min(8, limit - point)
        if length < 2:
            continue
        after = slice(point, point + length)
        falls = {
            name: float(np.mean(getattr(bars, name)[body]) - np.mean(getattr(bars, name)[after]))
            for name in ("level_db", "low_db", "mid_db", "high_db")
        }
        here = {name: -facts.step(getattr(bars, name), point) for name in falls}
        thinner = (
            falls["level_db"] >= 1.0 or falls["low_db"] >= 3.0 or (falls["mid_db"] >= 2.0 and falls["level_db"] > 0.3)
        )
        steps = here["level_db"] >= 0.7 or here["low_db"] >= 2.0 or here["mid_db"] >= 1.5 or here["high_db"] >= 3.0
        if thinner and steps:
            return point
    return limit


def _after_drop(facts: _Facts, gaps: list[tuple[int, int]], start: int, end: int, *, last: bool) -> list[Span]:
    if end <= start:
        return []
    return _groove(facts, gaps, start, end, opening=False, closing=last)


def _plain(facts: _Facts, gaps: list[tuple[int, int]]) -> list[Span]:
    return _groove(facts, gaps, 0, len(facts), opening=True, closing=True)


def _groove(
    facts: _Facts, gaps: list[tuple[int, int]], start: int, end: int, *, opening: bool, closing: bool
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
        returns = gap_end < len(facts) and facts.mean(facts.full, gap_end, gap_end + _AROUND_BARS) >= _FULL
        shortest = _MIN_PLAIN_BREAKDOWN_BARS if opening and closing else _MIN_BREAKDOWN_BARS
        if inside[0] >= body_end or length < shortest or not returns or inside[0] == 0:
            continue
        spans += _bridges(facts, place, inside[0])
        fall = -facts.step(facts.bars.low_db, inside[0])
        confidence = _sure(0.3 + 0.3 * float(ramp(fall, 3, 12)) + 0.2 * (1 - facts.mean(facts.full, *inside)))
        reason = f"kick and low end leave (low end {_signed(-fall)} dB) for {_bars(length)}, and no drop follows"
        spans.append(Span(*inside, "breakdown", confidence, reason))
        place = inside[1]
    spans += _bridges(facts, place, body_end)
    if end > body_end:
        spans.append(_outro(facts, body_end, end))
    return spans


def _intro_end(facts: _Facts, gaps: list[tuple[int, int]], start: int, end: int) -> int:
    """First change point from which kick, low end and the middle are all there for 16 bars or more; else the first
    breakdown, else ``end``. A stretch that is full from its first bar has no intro."""
    middle = facts.bars.mid_db
    usual = float(np.percentile(middle, 60))
    stop = next((gap for gap, _ in gaps if start < gap < end), end)
    for point in facts.points:
        if start <= point < stop and stop - point >= 16:
            window = slice(point, min(point + 8, stop))
            if np.mean(facts.full[window]) >= 0.8 and np.mean(middle[window]) >= usual - 3.0:
                return point
    return stop


def _outro_start(facts: _Facts, gaps: list[tuple[int, int]], start: int, end: int, *, after_drop: bool) -> int:
    """Where the last stretch begins that stays below what came before it, or ``end`` where a track stops at its height."""
    bars = facts.bars
    points = [point for point in facts.points if start <= point < end and end - point >= 2]
    if after_drop:
        # What follows the last drop is outro as soon as no full groove of 16 bars comes back after a gap.
        back = [gap_end for _, gap_end in gaps if start < gap_end < end and end - gap_end >= 16]
        after = [point for point in points if point >= (back[-1] if back else start)]
        return after[0] if after and not back else (after[1] if len(after) > 1 else end)
    best = end
    for point in reversed(points):
        if point <= start or end - point > 0.34 * len(facts):
            break
        before = slice(max(start, point - 16), point)
        falls = float(np.mean(bars.level_db[before]) - np.mean(bars.level_db[point:end]))
        thins = float(np.mean(facts.full[before]) - np.mean(facts.full[point:end]))
        if falls >= 1.5 or thins >= 0.2:
            best = point
    return best


def _intro(facts: _Facts, start: int, end: int, *, before_lead: bool) -> Span:
    without = int(np.sum(facts.full[start:end] < 0.8))
    length = _bars(end - start)
    if without:
        reason = f"the track starts here; kick, low end or bass are missing in {without} of {length}"
    else:
        reason = f"the track starts here and plays {length} before its first change"
    confidence = _sure(
        0.5 + 0.3 * without / (end - start) + 0.15 * float(facts.novelty[end] if end < len(facts) else 0)
    )
    return Span(start, end, "intro", confidence if before_lead else confidence * 0.9, reason)


def _outro(facts: _Facts, start: int, end: int) -> Span:
    falls = facts.mean(facts.bars.level_db, max(0, start - 16), start) - facts.mean(facts.bars.level_db, start, end)
    confidence = _sure(0.45 + 0.25 * float(ramp(falls, 0.5, 4.0)) + 0.2 * float(facts.novelty[start]))
    reason = f"level falls by {max(falls, 0.0):.1f} LU for the last {_bars(end - start)} and does not come back"
    return Span(start, end, "outro", confidence, reason)


def _bridges(facts: _Facts, start: int, end: int) -> list[Span]:
    """One groove, or several where a clear change on a bar line divides it."""
    if end <= start:
        return []
    cuts = [start]
    for point in facts.points:
        if cuts[-1] + 8 <= point <= end - 8 and facts.novelty[point] >= 0.35:
            cuts.append(point)
    spans = []
    for first, last in zip(cuts, [*cuts[1:], end], strict=True):
        confidence = _sure(0.35 + 0.3 * float(facts.novelty[first]) + (0.1, 0.05, 0.0)[facts.kinds[first]])
        if facts.mean(facts.full, first, last) >= _FULL:
            reason = f"kick and low end play on for {_bars(last - first)} without a drop"
        else:
            reason = f"{_bars(last - first)} of their own, without a return of the low end"
        spans.append(Span(first, last, "bridge", confidence, reason))
    return spans


def _joined(spans: list[Span]) -> list[Span]:
    """Neighbours of the same role in one, except bridges, which a clear change divides."""
    joined: list[Span] = []
    for span in spans:
        previous = joined[-1] if joined else None
        if previous and previous.role == span.role and span.role != "bridge":
            joined[-1] = Span(previous.start, span.end, span.role, previous.confidence, previous.reason)
        elif span.bars > 0:
            joined.append(span)
    return joined


def _sure(value: float) -> float:
    return round(float(np.clip(value, 0.05, 0.98)), 3)


def _bars(count: int) -> str:
    return f"{count} bar" if count == 1 else f"{count} bars"


def _signed(decibels: float) -> str:
    return f"{decibels:+.0f}".replace("-", "−")
