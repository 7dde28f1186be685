"""Does choosing what to drill on bring a weak slot to mastery sooner than drilling on anything? Simulated newcomers.

Each has one weak slot of eight. They mark it right with a probability that begins at ``WEAK`` and, with each drill that
holds it, gains ``LEARNT`` of what is missing to 1; the other slots they mark right with ``STEADY``. They drill on a
crew's ``TRACKS`` approved tracks, each once, ``A_DAY`` drills a day ten minutes apart. Mastery is ``IN_A_ROW`` right
marks of the weak slot one after another; who has drilled on every track without it counts with all of them.

The choice is the product's own: ``picking`` on what ``scheduling`` makes of each mark. Against it stands a random
choice among the same tracks by the same newcomers. The probabilities are assumed, not measured.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import Counter
from dataclasses import dataclass, field
from statistics import mean, median
from typing import Any
from uuid import UUID

from crewprep.onboarding.picking import HARD, Candidate, Meaning, Need, Traits, allowed_hard, ranked
from crewprep.onboarding.scheduling import scheduled
from crewprep.onboarding.scoring import SlotScore
from tests.bench.practice_bench import SEED, Table

NEWCOMERS = 1_000
TRACKS = 60
A_DAY = 3
WEAK, LEARNT, STEADY = 0.2, 0.25, 0.9
IN_A_ROW = 3
USUAL = (1.0, 0.95, 0.9, 0.9, 0.7, 0.6, 0.5)
"""The share of tracks that hold each of the other slots."""
SHARES = (0.9, 0.5, 0.25)
"""The share of tracks that hold the weak slot, by row."""

_WEAK: Meaning = ("weak", "first")
_OTHERS: tuple[Meaning, ...] = tuple((f"slot {number}", "first") for number in range(len(USUAL)))
_BEGUN = dt.datetime(2026, 1, 5, 18, tzinfo=dt.UTC)


def tracks(share: float, chance: random.Random) -> list[Candidate]:
    """A crew's approved tracks, of which this share holds the weak slot."""
    return [
        Candidate(
            UUID(int=chance.getrandbits(128)),
            frozenset(
                meaning for meaning, held in zip((_WEAK, *_OTHERS), (share, *USUAL), strict=True)
                if chance.random() < held
            ),
            Traits(chance.uniform(90, 175), frozenset(one for one in HARD if chance.random() < 0.15), 4),
        )
        for _ in range(TRACKS)
    ]  # fmt: skip


@dataclass
class Learner:
    """A newcomer as the product knows them, and what only the simulation knows: ``weak``, how likely the weak slot is
    marked right."""

    weak: float = WEAK
    in_a_row: int = 0
    cards: dict[Meaning, tuple[dict[str, Any], dt.datetime]] = field(default_factory=dict)
    kinds: Counter[str] = field(default_factory=Counter)
    marks: list[bool] = field(default_factory=list)
    drills: int = 0

    def need(self, at: dt.datetime) -> Need:
        """As ``candidates.need_of``."""
        due = sorted((when, meaning) for meaning, (_, when) in self.cards.items() if when <= at)
        latest = self.marks[-40:]
        share = sum(latest) / len(latest) if latest else None
        return Need(
            [meaning for _, meaning in due], frozenset(self.cards), self.kinds, allowed_hard(self.drills, share)
        )

    def drill(self, track: Candidate, at: dt.datetime, chance: random.Random) -> None:
        """Mark a track's slots, learn, and have each slot's card moved."""
        self.drills += 1
        self.kinds.update(track.traits.kinds)
        for meaning in sorted(track.slots):
            right = chance.random() < (self.weak if meaning == _WEAK else STEADY)
            self.marks.append(right)
            before = self.cards.get(meaning)
            after = scheduled(before[0] if before else None, SlotScore(1, "exact" if right else "missing"), at=at)
            self.cards[meaning] = after.card, after.due_at
            if meaning == _WEAK:
                self.in_a_row = self.in_a_row + 1 if right else 0
                self.weak += LEARNT * (1 - self.weak)


def drills_to_mastery(share: float, seed: int, *, picked: bool) -> tuple[int, bool]:
    """How many drills one newcomer needs, with the picker or at random; and whether the tracks were enough."""
    left = tracks(share, random.Random(f"{seed} tracks"))
    learner, chance = Learner(), random.Random(f"{seed} marks {picked}")
    while left and learner.in_a_row < IN_A_ROW:
        days, turn = divmod(learner.drills, A_DAY)
        at = _BEGUN + dt.timedelta(days=days, minutes=10 * turn)
        track = ranked(left, learner.need(at), chance.getrandbits(32))[0] if picked else chance.choice(left)
        left.remove(track)
        learner.drill(track, at, chance)
    return learner.drills, learner.in_a_row == IN_A_ROW


def weak_slot(newcomers: int = NEWCOMERS) -> Table:
    """Drills until the weak slot is mastered, by how many tracks hold it."""
    rows: list[tuple[str | int | float, ...]] = []
    for share in SHARES:
        cells: list[str | int | float] = [share]
        for picked in (True, False):
            found = [drills_to_mastery(share, SEED + one, picked=picked) for one in range(newcomers)]
            drills = [one for one, _ in found]
            cells += [mean(drills), median(drills), sum(not mastered for _, mastered in found)]
        rows.append(tuple(cells))
    return Table(
        f"{newcomers} newcomers a row with one weak slot, {TRACKS} tracks: drills until {IN_A_ROW} right in a row",
        (
            "tracks with the slot", "picked: mean", "median", "ran out of tracks", "at random: mean", "median",
            "ran out of tracks",
        ),
        tuple(rows),
    )  # fmt: skip
