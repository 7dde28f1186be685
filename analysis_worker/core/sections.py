"""Sections on bar lines, each with a role, a confidence and a reason in words.

What the roles mean here:

- a **drop** is where kick and low end return together after at least four bars without them, clearly above what came
  before (2 LU louder or 6 dB more low end), and stay for eight bars; so no drop is ever named without a contrast
  before it;
- a **build-up** leads into a drop: attacks, level or brightness rise over its last 2 to 16 bars while the bass is away;
- a **breakdown** is the rest of a stretch without kick or low end, before a build-up, a drop or a further groove;
- an **intro** is what comes before the first of these, an **outro** what follows the last drop once the level or a
  part of it has left for good, a **bridge** any other groove.

Music in which nothing drops gets plain sections: intro, bridge, outro, and a breakdown only where kick and low end
rest for eight bars and come back.

The work goes backwards from the drops, as people who prepare tracks do: find the returns, then what leads to each.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.changes import ON_PHRASE, feature_matrix, novelty, phrase_kinds, section_lines
from analysis_worker.core.features import BarFeatures
from analysis_worker.core.grooves import grooves
from analysis_worker.core.spans import AROUND_BARS, FULL, TURN_DB, Facts, Span, bar_count, signed, slope, sure
from analysis_worker.core.units import ramp

__all__ = ["Span", "find_sections"]

_WHOLE = 0.85
_MIN_GAP_BARS = 4
_MIN_DROP_BARS = 8
_MIN_BREAKDOWN_BARS = 4
_SHORTEST_BARS = 3
_LONGEST_BUILD_UP_BARS = 16
_USUAL_LENGTHS = {8: 1.0, 16: 0.92, 4: 0.95, 12: 0.77}
_OTHER_LENGTH = 0.67
"""How common build-ups of so many bars are against those of 8 (own judgement; Harmonix: 68 % of sections in dance music
are a multiple of 8 bars long, 81 % of 4)."""
_WHOLE_STRETCH = 0.25
_CLEAR_ODDS = 1.0
"""A line inside a stretch begins its build-up rather than the stretch itself if the odds of a section there are good.
Both were chosen on 171 invented tracks for tuning, where 1 to 2 and 0.25 to 0.3 do alike (96 % of first build-ups in
place; 64 % when the line was sought in the bars' figures instead of the odds)."""
_LEAST_RISE = 0.4
_DROP_LU, _DROP_LOW_DB = 2.0, 6.0
_PARTS = {
    "level_db": (1.0, 0.7),
    "low_db": (3.0, 2.0),
    "mid_db": (2.0, 1.5),
    "high_db": (4.0, 3.0),
    "tone_db": (3.0, 2.0),
    "air_db": (3.0, 2.0),
}
"""By how much a groove lies below the drop before it, and falls where it begins (dB); one part is enough."""


def find_sections(
    bars: BarFeatures, phrase_bars: NDArray[np.int64], section_odds: NDArray[np.float64]
) -> tuple[Span, ...]:
    """Name the sections of a track; they follow each other without gaps from bar 0 to the last.

    ``phrase_bars`` are the bar numbers at which phrases start, ``section_odds`` the log odds of each bar that a section
    begins there (``bar_evidence``). A track of silence has no sections.
    """
    count = len(bars)
    if count == 0 or float(np.max(bars.level_db)) <= -100.0:
        return ()
    facts = Facts(
        bars=bars,
        kinds=phrase_kinds(count, phrase_bars),
        novelty=novelty(feature_matrix(bars)),
        odds=section_odds,
        points=section_lines(section_odds),
    )
    gaps = _gaps(facts)
    drops = [gap for gap in gaps if _is_drop(facts, gap, gaps)]
    spans = (
        _with_drops(facts, gaps, drops) if drops else grooves(facts, gaps, 0, len(facts), opening=True, closing=True)
    )
    return tuple(_joined(spans))


def _gaps(facts: Facts) -> list[tuple[int, int]]:
    """Stretches of at least four bars without kick and low end, as (start, end), edges drawn to the clearest bar
    line."""
    empty = facts.full < FULL
    # One bar of pause or fill belongs to what surrounds it.
    for bar in range(1, len(empty) - 1):
        if empty[bar - 1] == empty[bar + 1] != empty[bar] and not (bar >= 2 and empty[bar - 2] == empty[bar]):
            empty[bar] = empty[bar - 1]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int8)))
    found: list[tuple[int, int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start = _clearest(facts, start, -1.0) if start > 0 else 0
        end = _clearest(facts, end, 1.0) if end < len(facts) else len(facts)
        # A kick that comes back alone or for a moment belongs to the climb.
        back = start - (found[-1][1] if found else 0)
        if (
            found
            and found[-1][0] > 0
            and (back <= _MIN_GAP_BARS or (back <= 8 and np.all(facts.full[found[-1][1] : start] < _WHOLE)))
        ):
            found[-1] = found[-1][0], end
        elif end > start:
            found.append((start, end))
    return [(start, end) for start, end in found if end - start >= _MIN_GAP_BARS]


def _clearest(facts: Facts, bar: int, direction: float) -> int:
    """The bar line within two bars at which the fullness steps most in the direction, phrase lines preferred."""
    best, best_score = bar, -np.inf
    for other in range(max(1, bar - 2), min(len(facts) - 1, bar + 2) + 1):
        step = direction * (facts.step(facts.full, other) + float(facts.full[other] - facts.full[other - 1]))
        score = step + 0.1 * facts.novelty[other] + (0.12, 0.06, 0.0)[facts.kinds[other]] - 0.02 * abs(other - bar)
        if score > best_score:
            best, best_score = other, score
    return best


def _is_drop(facts: Facts, gap: tuple[int, int], gaps: list[tuple[int, int]]) -> bool:
    start, bar = gap
    held_until = next((other for other, _ in gaps if other > bar), len(facts))
    if bar >= len(facts) or held_until - bar < _MIN_DROP_BARS:
        return False
    louder = facts.step(facts.bars.level_db, bar)
    lower = facts.step(facts.bars.low_db, bar)
    # A build-up may be louder than its drop while it lacks the low end, so either figure is enough, but kick and low
    # end must both have been away.
    contrast = louder >= _DROP_LU or lower >= _DROP_LOW_DB
    together = facts.mean(facts.full, bar, bar + AROUND_BARS) - facts.mean(facts.full, bar - AROUND_BARS, bar) >= 0.35
    if not (contrast and together):
        return False
    if start > 0:
        return True
    # The first entry of kick and bass is the end of an intro, unless something leads into it for a phrase.
    return bar >= _MIN_DROP_BARS and _build_up(facts, start, bar)[1] >= 0.5


def _build_up(facts: Facts, start: int, drop: int) -> tuple[int, float]:
    """Where the build-up before ``drop`` starts, not before ``start``, and how sure that is; ``drop`` itself for
    none."""
    best, best_score = drop, 0.0
    for bar in range(max(start, drop - _LONGEST_BUILD_UP_BARS), drop - 1):
        rise = _rise(facts.bars, bar, drop)
        if bar == start:
            # Without a change inside, a stretch may be a build-up as a whole; a clear change is the better sign.
            score = _WHOLE_STRETCH * rise
        elif bar - start >= _MIN_BREAKDOWN_BARS:
            clear = 1.0 / (1.0 + np.exp(_CLEAR_ODDS - facts.odds[bar]))
            score = clear * (0.3 + rise) / 1.3 * _USUAL_LENGTHS.get(drop - bar, _OTHER_LENGTH)
        else:
            continue
        if score > best_score:
            best, best_score = bar, score
    if best == drop or _rise(facts.bars, best, drop) < _LEAST_RISE:
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


def _with_drops(facts: Facts, gaps: list[tuple[int, int]], drops: list[tuple[int, int]]) -> list[Span]:
    spans: list[Span] = []
    done = 0
    for number, (gap_start, drop) in enumerate(drops):
        if number == 0:
            spans += grooves(facts, gaps, 0, gap_start, opening=True, closing=False)
        else:
            spans += grooves(facts, gaps, done, gap_start, opening=False, closing=False)
        spans += _lead(facts, gap_start, drop)
        next_gap = next((start for start, _ in gaps if start > drop), len(facts))
        end = _drop_end(facts, drop, next_gap)
        spans.append(_drop_span(facts, gap_start, drop, end))
        done = end
    return spans + grooves(facts, gaps, done, len(facts), opening=False, closing=True)


def _lead(facts: Facts, start: int, drop: int) -> list[Span]:
    """A stretch without kick and low end, divided into breakdown and build-up."""
    bars = facts.bars
    turn, certainty = _build_up(facts, start, drop)
    spans: list[Span] = []
    if turn - start >= 1:
        if turn - start < 2 and turn < drop:
            turn = start
        else:
            depth = facts.mean(facts.full, start, turn)
            fall = -facts.step(bars.low_db, start) if start else 0.0
            first = start == 0
            confidence = sure(0.4 + 0.3 * float(ramp(fall, 3, 12)) + 0.25 * (1 - depth) + 0.1 * (turn - start >= 8))
            reason = (
                f"kick and low end are away for its {bar_count(turn - start)}"
                if first
                else f"kick and low end leave (low end {signed(-fall)} dB) for {bar_count(turn - start)}"
            )
            spans.append(Span(start, turn, "intro" if first else "breakdown", confidence, reason))
    if turn < drop:
        half = max(1, (drop - turn) // 2)
        parts = []
        early, late = facts.mean(bars.onsets, turn, turn + half), facts.mean(bars.onsets, drop - half, drop)
        if late - early >= 0.3:
            parts.append(f"attacks grow from {early:.1f} to {late:.1f} a beat")
        louder = float(bars.level_db[drop - 1] - bars.level_db[turn])
        louder = max(louder, slope(bars.level_db[turn:drop]) * (drop - turn - 1))
        if louder >= 1.0:
            parts.append(f"level rises by {louder:.0f} LU")
        if not parts:
            parts.append("the sound grows brighter")
        spans.append(
            Span(
                turn,
                drop,
                "build-up",
                sure(certainty),
                f"{' and '.join(parts)} over {bar_count(drop - turn)} before the drop",
            )
        )
    return spans


def _drop_span(facts: Facts, gap_start: int, drop: int, end: int) -> Span:
    low, louder = facts.step(facts.bars.low_db, drop), facts.step(facts.bars.level_db, drop)
    gap = drop - gap_start
    held = min(end - drop, 16)
    confidence = sure(
        0.35
        + 0.25 * float(ramp(max(low / 3, louder), 1.0, 4.0))
        + 0.15 * float(ramp(facts.mean(facts.full, drop, drop + held), 0.6, 0.95))
        + (0.15, 0.08, 0.0)[facts.kinds[drop]]
        + 0.1 * (gap >= 8)
    )
    reason = f"low end returns with {signed(low)} dB after {bar_count(gap)} without"
    if louder >= 1.0:
        reason += f", {louder:.0f} LU louder than before"
    return Span(drop, end, "drop", confidence, reason)


def _drop_end(facts: Facts, drop: int, limit: int) -> int:
    """Where a drop gives way to a thinner groove, at the latest at ``limit``: a change point at which level or parts
    fall and stay below those of the drop. Where nothing but the end of the track follows, smaller falls count."""
    bars = facts.bars
    body = slice(drop, min(drop + 16, limit))
    small = 0.5 if limit == len(facts) else 1.0
    lines = {*facts.points, *np.flatnonzero(facts.kinds == ON_PHRASE).tolist()}
    for point in sorted(lines):
        length = min(8, limit - point)
        if point < drop + _MIN_DROP_BARS or length < 2:
            continue
        after = slice(point, point + length)
        below = {
            name: float(np.mean(getattr(bars, name)[body]) - np.mean(getattr(bars, name)[after])) for name in _PARTS
        }
        falls = {name: -facts.step(getattr(bars, name), point) for name in _PARTS}
        stays = any(below[name] >= small * least for name, (least, _) in _PARTS.items())
        steps = any(falls[name] >= small * least for name, (_, least) in _PARTS.items())
        if (stays and steps and below["level_db"] > -0.8) or _thins(facts, point):
            return point
    return limit


def _thins(facts: Facts, bar: int) -> bool:
    """Whether a part leaves at a bar line while drums and bass play on: what sounds between attacks changes for good,
    and falls, and the level does not rise."""
    falls = -min(facts.settled_step(facts.bars.tone_db, bar), facts.settled_step(facts.bars.air_db, bar))
    return facts.turns(bar) and falls >= TURN_DB and facts.settled_step(facts.bars.level_db, bar) <= 0.8


def _joined(spans: list[Span]) -> list[Span]:
    """Neighbours of the same role in one, except bridges, which a clear change divides; what rings out after the last
    bar line belongs to the last section."""
    joined: list[Span] = []
    if len(spans) > 1 and spans[-1].bars < _SHORTEST_BARS:
        last = spans[-2]
        spans = [*spans[:-2], Span(last.start, spans[-1].end, last.role, last.confidence, last.reason)]
    for span in spans:
        previous = joined[-1] if joined else None
        if previous and previous.role == span.role and span.role != "bridge":
            joined[-1] = Span(previous.start, span.end, span.role, previous.confidence, previous.reason)
        elif span.bars > 0:
            joined.append(span)
    return joined
