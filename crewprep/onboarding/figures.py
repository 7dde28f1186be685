"""Figures on markers set by ear, none without how sure it is (pure; no Django).

A share is given with its score interval of E. B. Wilson (Probable inference, the law of succession, and statistical
inference, J. Am. Stat. Assoc. 22, 1927), which stays within 0 and 1 and holds for few trials, where the usual plus and
minus fails (L. D. Brown, T. T. Cai, A. DasGupta, Interval estimation for a binomial proportion, Stat. Sci. 16, 2001).

That takes the trials as independent, which the slots of one drill are not: who mishears a phrase sets every marker of
the track wrong. ``Pooled`` counts fewer trials where drills differ more than chance would have them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from statistics import NormalDist

from crewprep.analysis.musical_time import MusicalTime
from crewprep.onboarding.scoring import BEAT, ROUND, Marked

CONFIDENCE = 0.95
NOTHING = "nothing"
"""Stands for a function in a confusion where a place was left unmarked, or a marker set where the sheet has none."""


@dataclass(frozen=True, slots=True)
class Interval:
    """From ``low`` to ``high``, both from 0 to 1."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Share:
    """So many successes of so many trials."""

    successes: int
    trials: int

    @property
    def value(self) -> float | None:
        """From 0 to 1; None where nothing was tried."""
        return self.successes / self.trials if self.trials else None

    @cached_property
    def interval(self) -> Interval:
        """Where the true share lies at 95 %; from 0 to 1 where nothing was tried."""
        return wilson(self.successes, self.trials)


@dataclass(frozen=True, slots=True)
class Pooled:
    """The shares of several drills as one of all their slots."""

    shares: tuple[Share, ...]

    @property
    def successes(self) -> int:
        """Of all drills."""
        return sum(share.successes for share in self.shares)

    @property
    def trials(self) -> int:
        """Of all drills."""
        return sum(share.trials for share in self.shares)

    @property
    def value(self) -> float | None:
        """From 0 to 1; None where nothing was tried."""
        return Share(self.successes, self.trials).value

    @property
    def interval(self) -> Interval:
        """Where the true share lies at 95 %, by ``pooled``."""
        return pooled(self.shares)


def wilson(successes: int, trials: int, confidence: float = CONFIDENCE) -> Interval:
    """The score interval of a share, without correction for continuity; all that is possible where nothing was tried.

    Raises ``ValueError`` for more successes than trials, for fewer than none, and for a confidence not between 0 and 1.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"{successes} successes of {trials} trials")
    z = _quantile(confidence)
    return _score_interval(successes / trials, trials, z) if trials else Interval(0.0, 1.0)


def pooled(shares: Iterable[Share], confidence: float = CONFIDENCE) -> Interval:
    """The score interval of the share of several drills taken together; all that is possible where nothing was tried.

    The trials are those that would be as telling if they were independent (E. L. Korn, B. I. Graubard, Confidence
    intervals for proportions with small expected number of positive counts, Survey Methodology 24, 1998): divided by
    how much more the drills differ than chance would have them, and by a factor for how few drills tell that. They are
    never fewer than the drills, nor more than the slots. Raises ``ValueError`` for a confidence not between 0 and 1.
    """
    z = _quantile(confidence)
    drills = [share for share in shares if share.trials]
    slots = sum(drill.trials for drill in drills)
    if not slots:
        return Interval(0.0, 1.0)
    share, count = sum(drill.successes for drill in drills) / slots, len(drills)
    trials = float(count)
    if count > 1:
        off = sum((drill.successes - share * drill.trials) ** 2 for drill in drills)
        found, by_chance = count / (count - 1) * off, slots * share * (1 - share)
        effect = max(1.0, found / by_chance) if by_chance else 1.0
        trials = max(trials, slots / effect * (z / _student(z, count - 1)) ** 2)
    return _score_interval(share, trials, z)


def _quantile(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is not between 0 and 1")
    return NormalDist().inv_cdf((1 + confidence) / 2)


def _student(z: float, freedom: int) -> float:
    """Student's t where the normal distribution has z: Abramowitz and Stegun 1964, 26.7.5, four terms."""
    return (
        z
        + (z**3 + z) / (4 * freedom)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * freedom**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * freedom**3)
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * freedom**4)
    )


def _score_interval(share: float, trials: float, z: float) -> Interval:
    weight = z * z / trials
    middle = (share + weight / 2) / (1 + weight)
    half = sqrt(weight * share * (1 - share) + weight * weight / 4) / (1 + weight)
    # None and all end the interval exactly; rounding would leave a hair.
    return Interval(0.0 if share == 0 else max(0.0, middle - half), 1.0 if share == 1 else min(1.0, middle + half))


@dataclass(frozen=True, slots=True)
class BoundaryF:
    """How many of the sheet's places were found; add up those of several tracks for one figure."""

    found: int
    right: int
    placed: int

    def __add__(self, other: BoundaryF) -> BoundaryF:
        return BoundaryF(self.found + other.found, self.right + other.right, self.placed + other.placed)

    @property
    def precision(self) -> float:
        """Of the markers that were set, how many lie at a place of the sheet; 0 where none was set."""
        return self.found / self.placed if self.placed else 0.0

    @property
    def recall(self) -> float:
        """Of the sheet's places, how many have a marker; 0 where it has none."""
        return self.found / self.right if self.right else 0.0

    @property
    def f(self) -> float:
        """The harmonic mean of the two; 0 where nothing was found."""
        return 2 * self.found / (self.right + self.placed) if self.found else 0.0


def boundary_f(truth_us: Iterable[int], placed_us: Iterable[int], window_us: int) -> BoundaryF:
    """Places found within a window (on each side, its ends included), whatever slot they were given.

    Each is matched once, as many as can be, as ``onset.f_measure`` of mir_eval does (C. Raffel et al., ISMIR 2014);
    times in microseconds. Raises ``ValueError`` for a window below 0.
    """
    if window_us < 0:
        raise ValueError(f"a window of {window_us} is below 0")
    truth, placed = sorted(truth_us), sorted(placed_us)
    # All windows are equally wide, so taking the earliest that still fits matches as many as can be.
    found = left = right = 0
    while left < len(truth) and right < len(placed):
        off = placed[right] - truth[left]
        if abs(off) <= window_us:
            found, left, right = found + 1, left + 1, right + 1
        elif off < 0:
            right += 1
        else:
            left += 1
    return BoundaryF(found, len(truth), len(placed))


@dataclass(frozen=True, slots=True)
class Confusion:
    """How often each function was taken for each: rows are those that the sheet means, columns those that were set."""

    names: tuple[str, ...]
    counts: Mapping[tuple[str, str], int]

    def count(self, meant: str, was_set: str) -> int:
        """How often."""
        return self.counts.get((meant, was_set), 0)

    @property
    def rows(self) -> list[tuple[str, list[int]]]:
        """Each function with its counts, in the order of ``names``."""
        return [(meant, [self.count(meant, was_set) for was_set in self.names]) for meant in self.names]

    def share(self, meant: str) -> Share:
        """How often a function was set where the sheet means it."""
        return Share(self.count(meant, meant), sum(self.count(meant, was_set) for was_set in self.names))


def confusion(pairs: Iterable[tuple[str, str]], order: Sequence[str] = ()) -> Confusion:
    """The table of pairs of (function meant, function set): those of ``order`` first, ``NOTHING`` last."""
    counts = Counter(pairs)
    seen = {name for pair in counts for name in pair}
    first = [name for name in dict.fromkeys(order) if name in seen and name != NOTHING]
    rest = sorted(seen - set(first) - {NOTHING})
    return Confusion((*first, *rest, *([NOTHING] if NOTHING in seen else [])), dict(counts))


def taken_for(
    truth: Sequence[Marked], placed: Sequence[Marked], functions: Mapping[int, str], time: MusicalTime
) -> list[tuple[str, str]]:
    """Pairs of (function meant, function set), for ``confusion``: what was set within a beat of each of the sheet's
    places. A place that nothing was set at is ``(function, NOTHING)``, a marker at no place ``(NOTHING, function)``.

    ``functions`` are those of the slots. Where several would fit, the same slot goes first, then the same function,
    then the nearest. Raises ``KeyError`` for a slot without a function.
    """
    left = [(functions[one.slot], one.slot, time.position(one.start_us)) for one in truth]
    right = [(functions[one.slot], one.slot, time.position(one.start_us)) for one in placed]
    fits = sorted(
        (meant[1] != was_set[1], meant[0] != was_set[0], abs(meant[2] - was_set[2]), meant[1], was_set[1])
        for meant in left
        for was_set in right
        if abs(meant[2] - was_set[2]) <= BEAT + ROUND
    )
    pairs: dict[int, int] = {}
    for *_, meant_slot, set_slot in fits:
        if meant_slot not in pairs and set_slot not in pairs.values():
            pairs[meant_slot] = set_slot
    return [
        *((functions[one.slot], functions[pairs[one.slot]] if one.slot in pairs else NOTHING) for one in truth),
        *((NOTHING, functions[one.slot]) for one in placed if one.slot not in pairs.values()),
    ]
