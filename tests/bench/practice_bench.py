"""Do the figures of practice say what is true of simulated newcomers, whose error rates are known?

Each newcomer drills on sheets of eight slots and gets each right with a known probability; what they get wrong is one
of the slips that are usual, so every marker goes through ``scoring`` as in a drill. Nobody is real.

``TABLES`` are the functions whose tables ``python -m tests.bench --part practice`` prints.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from math import comb

from crewprep.analysis.musical_time import MusicalTime
from crewprep.onboarding.figures import Pooled, Share, wilson
from crewprep.onboarding.scoring import Miss, score

NEWCOMERS = 1_000
RATES = (0.5, 0.7, 0.8, 0.9, 0.95)
DRILLS = (5, 10, 20)
SEED = 1927

SLOTS = 8
BEAT_US = 468_750
PHRASE = 32
TIME = MusicalTime(
    PHRASE * 26 * BEAT_US, 4, tuple(beat * BEAT_US for beat in range(PHRASE * 26 + 1)),
    tuple(range(0, PHRASE * 26 + 1, 4)), tuple(range(0, PHRASE * 26, PHRASE)), 0, timed=False,
)  # fmt: skip
"""26 phrases at 128 BPM."""

RIGHT = (0.0, 0.0, 0.25, -0.25, 0.5, -0.75, 1.0)
SLIPS: dict[Miss, tuple[float, ...]] = {
    "phrase": (32, -32, 32.5, -64),
    "half bar": (2, -2, 2.25),
    "bar": (1.5, -3, 3.5),
    "elsewhere": (4, -8, 16),
    "function": (),
    "missing": (),
}
"""Beats that a marker is off in each kind of slip; the last two have no distance of their own."""


@dataclass(frozen=True, slots=True)
class Table:
    """What is printed: a title, a head, and rows of as many cells."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str | int | float, ...], ...]

    def lines(self) -> Iterator[str]:
        """As it is printed; fractions with three digits."""
        cells = [self.head, *(tuple(f"{one:.3f}" if isinstance(one, float) else str(one) for one in row)
                              for row in self.rows)]  # fmt: skip
        widths = [max(len(row[column]) for row in cells) for column in range(len(self.head))]
        yield self.title
        for row in cells:
            yield "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))


@dataclass(frozen=True, slots=True)
class At:
    """A point."""

    slot: int
    start_us: int
    end_us: int | None = None


@dataclass(frozen=True, slots=True)
class Newcomer:
    """Gets a slot right with this probability. ``whole`` of what goes wrong comes by whole tracks, every marker a
    phrase late; the rest slot by slot."""

    right: float
    whole: float = 0.0

    def drill(self, chance: random.Random) -> tuple[list[bool], list[tuple[Miss, Miss]]]:
        """Of each slot whether it is within a beat, by its score; and of the slips (what was meant, what it said)."""
        # Every third phrase, so that a slip by whole phrases does not fall on another slot's place.
        sheet = [At(slot, BEAT_US * PHRASE * 3 * slot) for slot in range(1, SLOTS + 1)]
        late = (1 - self.right) * self.whole
        meant: dict[int, Miss | None] = {}
        if chance.random() < late:
            meant = dict.fromkeys(range(1, SLOTS + 1), "phrase")
            placed = [At(one.slot, one.start_us + PHRASE * BEAT_US) for one in sheet]
        else:
            alone = self.right / (1 - late)
            placed = []
            for one in sheet:
                meant[one.slot] = None if chance.random() < alone else chance.choice(tuple(SLIPS))
                placed += _place(one, meant[one.slot], sheet, chance)
        scores = score(sheet, placed, TIME)
        said = [(slip, one.miss) for one in scores if (slip := meant[one.slot]) is not None]
        return [one.within("beat") for one in scores], said


def _place(one: At, slip: Miss | None, sheet: list[At], chance: random.Random) -> list[At]:
    """The marker that is set for a slot; none where it is missed."""
    if slip == "missing":
        return []
    if slip == "function":
        return [At(one.slot, chance.choice([other for other in sheet if other is not one]).start_us)]
    beats = chance.choice(RIGHT if slip is None else SLIPS[slip])
    return [At(one.slot, round(one.start_us + beats * BEAT_US))]


@dataclass(frozen=True, slots=True)
class Coverage:
    """In how many of the newcomers an interval holds the truth: that of one slot, that of all slots as if they were
    independent, and that of all slots by drill (``figures.pooled``). ``widths`` are the means of the last two."""

    newcomers: int
    slot: float
    independent: float
    pooled: float
    widths: tuple[float, float]
    named: Share


def coverage(newcomer: Newcomer, drills: int, newcomers: int, seed: int = SEED) -> Coverage:
    """So many newcomers of one kind, each with so many drills."""
    chance = random.Random(f"{seed}, {newcomer}, {drills}")
    held: Counter[str] = Counter()
    wide = [0.0, 0.0]
    named: Counter[bool] = Counter()
    for _ in range(newcomers):
        shares, first = [], 0
        for _ in range(drills):
            right, said = newcomer.drill(chance)
            shares.append(Share(sum(right), len(right)))
            first += right[0]
            named.update(meant == miss for meant, miss in said)
        together = Pooled(tuple(shares))
        of_slots, of_drills = Share(together.successes, together.trials).interval, together.interval
        held["slot"] += newcomer.right in Share(first, drills).interval
        held["independent"] += newcomer.right in of_slots
        held["pooled"] += newcomer.right in of_drills
        wide = [wide[0] + of_slots.high - of_slots.low, wide[1] + of_drills.high - of_drills.low]
    slot, independent, by_drill = (held[one] / newcomers for one in ("slot", "independent", "pooled"))
    widths = wide[0] / newcomers, wide[1] / newcomers
    return Coverage(newcomers, slot, independent, by_drill, widths, Share(named[True], named.total()))


def exact_coverage(right: float, trials: int, confidence: float = 0.95) -> float:
    """How often the interval of so many independent trials holds the truth, by the binomial distribution itself."""
    return sum(
        comb(trials, hits) * right**hits * (1 - right) ** (trials - hits)
        for hits in range(trials + 1)
        if right in wilson(hits, trials, confidence)
    )


HEAD = (
    "right", "drills", "one slot", "(exact)", "all slots", "(exact)", "by drill", "width", "width by drill",
    "slips named right",
)  # fmt: skip


def slips_by_slot(newcomers: int = NEWCOMERS) -> Table:
    """How often the intervals hold the truth where slots go wrong independently."""
    return _coverage_table("slips slot by slot", 0.0, newcomers)


def slips_by_track(newcomers: int = NEWCOMERS) -> Table:
    """The same where half of what goes wrong comes by whole tracks; the slots of a drill are not independent then."""
    return _coverage_table("half of the slips by whole tracks, a phrase late", 0.5, newcomers)


def _coverage_table(title: str, whole: float, newcomers: int) -> Table:
    rows = []
    for right, drills in product(RATES, DRILLS):
        one = coverage(Newcomer(right, whole), drills, newcomers)
        rows.append((
            right, drills, one.slot, exact_coverage(right, drills), one.independent,
            "" if whole else exact_coverage(right, drills * SLOTS), one.pooled, *one.widths,
            f"{one.named.successes}/{one.named.trials}",
        ))  # fmt: skip
    return Table(
        f"{newcomers} newcomers a row, {SLOTS} slots a drill, {title}: how often a 95 % interval holds the truth",
        HEAD, tuple(rows),
    )  # fmt: skip


TABLES: list[Callable[[], Table]] = [slips_by_slot, slips_by_track]
