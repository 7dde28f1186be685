"""How drafts fare: for each engine version, slot function and band of confidence how often a drafted marker was kept,
moved by how much, dropped, and how often a marker was added where the draft had none.

Everything is counted by the database from ``MarkerFate``, each question by one query that an index answers in its own
order, whatever the number of sheets.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from uuid import UUID

from django.db.models import Count, Sum

from crewprep.crews.models import Membership
from crewprep.onboarding.fates import BAND_EDGES
from crewprep.onboarding.figures import Share
from crewprep.onboarding.models import Fate, MarkerFate

WEAK_FROM, WEAK_BELOW = 20, 0.5
"""A slot is weak where of at least so many drafts the kept share lies below this, with the whole of its interval."""

Place = tuple[str, str]
"""Function, and which of that function."""


@dataclass(frozen=True)
class Tally:
    """Drafts counted, and the markers that were added where there was none.

    ``moves`` counts the moved ones by their distance in quarters of a beat, rounded up; ``by_phrases`` of them went by
    whole phrases. ``sureness`` is the sum of the confidences of the drafts.
    """

    kept: int = 0
    dropped: int = 0
    added: int = 0
    moves: Counter[int] = field(default_factory=Counter)
    by_phrases: int = 0
    sureness: float = 0.0

    @classmethod
    def of(cls, tallies: Iterable[Tally]) -> Tally:
        """Several as one."""
        several = list(tallies)
        moves: Counter[int] = Counter()
        for one in several:
            moves.update(one.moves)
        return cls(
            sum(one.kept for one in several), sum(one.dropped for one in several), sum(one.added for one in several),
            moves, sum(one.by_phrases for one in several), sum(one.sureness for one in several),
        )  # fmt: skip

    @cached_property
    def moved(self) -> int:
        """Drafted markers that were moved."""
        return self.moves.total()

    @property
    def drafted(self) -> int:
        """Markers that were drafted."""
        return self.kept + self.moved + self.dropped

    @property
    def kept_share(self) -> Share:
        """Of the drafted markers."""
        return Share(self.kept, self.drafted)

    @property
    def near(self) -> int:
        """Kept, or moved by a beat at most."""
        return self.kept + sum(number for quarters, number in self.moves.items() if quarters <= 4)

    @property
    def near_share(self) -> Share:
        """Kept, or moved by a beat at most, of the drafted markers."""
        return Share(self.near, self.drafted)

    @property
    def moved_share(self) -> Share:
        """Of the drafted markers."""
        return Share(self.moved, self.drafted)

    @property
    def phrases_share(self) -> Share:
        """Moved by whole phrases, of the drafted markers."""
        return Share(self.by_phrases, self.drafted)

    @property
    def dropped_share(self) -> Share:
        """Of the drafted markers."""
        return Share(self.dropped, self.drafted)

    @property
    def added_share(self) -> Share:
        """Of the markers of the approved sheets: those that no draft had."""
        return Share(self.added, self.kept + self.moved + self.added)

    @property
    def median_beats(self) -> float | None:
        """Half of the moved markers went no further, to the next quarter of a beat; None where none was moved."""
        return self._percentile(50)

    @property
    def ninetieth_beats(self) -> float | None:
        """Nine of ten moved markers went no further, to the next quarter of a beat; None where none was moved."""
        return self._percentile(90)

    def _percentile(self, percent: int) -> float | None:
        """Nearest rank: the smallest distance that at least that part of them does not exceed."""
        reached = 0
        for quarters, number in sorted(self.moves.items()):
            reached += number
            if reached * 100 >= percent * self.moved:
                return quarters / 4
        return None

    @property
    def confidence(self) -> float | None:
        """The mean of the drafted markers, 0 to 1."""
        return self.sureness / self.drafted if self.drafted else None

    @property
    def weak(self) -> bool:
        """Whether the place is weak."""
        return is_weak(self.kept_share)


@dataclass(frozen=True, slots=True)
class Band:
    """What was drafted with a confidence from ``low`` to below ``high``; in the last band up to 1 itself."""

    low: float
    high: float
    tally: Tally


@dataclass(frozen=True, slots=True)
class SlotFigures:
    """One slot function under one engine, in all and by bands of confidence, those in which anything was drafted."""

    engine: str
    function: str
    which: str
    tally: Tally
    bands: tuple[Band, ...]


def is_weak(kept: Share) -> bool:
    """Whether drafts of a place are more likely changed than kept, by all that is known of it."""
    return kept.trials >= WEAK_FROM and kept.interval.high < WEAK_BELOW


def engines_of(member: Membership) -> list[str]:
    """The engine versions that have figures, the newest first. A query for each, and one more: each looks up the next
    in the index, where PostgreSQL would read every row of it to tell the few apart (15 ms of 80,000)."""
    engines: list[str] = []
    names = MarkerFate.objects.filter(crew=member.crew).order_by("engine").values_list("engine", flat=True)
    while (engine := (names.filter(engine__gt=engines[-1]) if engines else names).first()) is not None:
        engines.append(engine)
    return newest_first(engines)


def newest_first(engines: Iterable[str]) -> list[str]:
    """Engine versions by their numbers, each once."""
    return sorted(set(engines), key=_in_order, reverse=True)


def draft_figures(member: Membership, engine: str = "") -> list[SlotFigures]:
    """The crew's figures, of one engine where it is named, by engine and slot; one query."""
    counted = (
        MarkerFate.objects.filter(crew=member.crew, **({"engine": engine} if engine else {}))
        .order_by()
        .values_list("engine", "function", "which", "fate", "band", "quarters")
        .annotate(number=Count("*"), phrases_off=Count("phrases"), sureness=Sum("confidence"))
    )
    found: dict[tuple[str, str, str], dict[int | None, _Count]] = defaultdict(lambda: defaultdict(_Count))
    for made_by, function, which, fate, band, quarters, number, by_phrases, sureness in counted:
        one = found[made_by, function, which][band]
        one.fates[fate] += number
        if fate == Fate.MOVED:
            one.moves[quarters or 0] += number
        one.by_phrases += by_phrases
        one.sureness += sureness or 0.0
    return [_slot(*key, counts) for key, counts in sorted(found.items())]


def weakest_first(slots: Iterable[SlotFigures]) -> list[SlotFigures]:
    """The least often kept first; what is never drafted at the end."""
    return sorted(slots, key=lambda one: (one.tally.drafted == 0, one.tally.kept_share.value or 0))


@dataclass(slots=True)
class _Count:
    """A tally while it is counted."""

    fates: Counter[str] = field(default_factory=Counter)
    moves: Counter[int] = field(default_factory=Counter)
    by_phrases: int = 0
    sureness: float = 0.0

    def tally(self) -> Tally:
        return Tally(
            self.fates[Fate.KEPT], self.fates[Fate.DROPPED], self.fates[Fate.ADDED], self.moves, self.by_phrases,
            self.sureness,
        )  # fmt: skip


def _slot(engine: str, function: str, which: str, counts: dict[int | None, _Count]) -> SlotFigures:
    tallies = {band: count.tally() for band, count in counts.items()}
    bands = [
        Band(low, high, tallies[number])
        for number, (low, high) in enumerate(pairwise(BAND_EDGES))
        if number in tallies
    ]  # fmt: skip
    return SlotFigures(engine, function, which, Tally.of(tallies.values()), tuple(bands))


def calibration(slots: Iterable[SlotFigures]) -> list[Band]:
    """The bands over several slots: the mean confidence of each should be the share of it that was kept."""
    found: dict[tuple[float, float], list[Tally]] = defaultdict(list)
    for one in slots:
        for band in one.bands:
            found[band.low, band.high].append(band.tally)
    return [Band(low, high, Tally.of(tallies)) for (low, high), tallies in sorted(found.items())]


def weak_places(crew_id: UUID, engine: str) -> dict[Place, Share]:
    """Where this engine drafts badly for a crew, with how often its drafts were kept there; one query."""
    counted = (
        MarkerFate.objects.filter(crew=crew_id, engine=engine)
        .order_by()
        .values_list("function", "which", "fate")
        .annotate(number=Count("*"))
    )
    kept: Counter[Place] = Counter()
    drafted: Counter[Place] = Counter()
    for function, which, fate, number in counted:
        if fate != Fate.ADDED:
            drafted[function, which] += number
            kept[function, which] += number if fate == Fate.KEPT else 0
    shares = {place: Share(kept[place], number) for place, number in drafted.items()}
    return {place: share for place, share in shares.items() if is_weak(share)}


def weak_sentence(kept: Share) -> str:
    """What is said at a draft of a weak place."""
    return f"Drafts of this slot were kept in {kept.successes} of {kept.trials} sheets: listen twice."


def _in_order(engine: str) -> list[tuple[int, str]]:
    """So that engine 10 comes after engine 9."""
    return [(int(part) if part.isdecimal() else -1, part) for part in re.findall(r"\d+|\D+", engine)]
