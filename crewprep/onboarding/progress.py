"""What a member's drills show: by slot, drill by drill and by week, each share with its interval.

Shares are of the slots that the sheet has; markers where it has none are counted apart. Several drills are pooled, as
the slots of one drill hang together. A slot is what it is for (function and which of them), whatever number it had when
it was drilled, and is called as in the current version. Places found are ``figures.boundary_f`` of each drill, at half
a second as mir_eval's segments are judged and at a quarter of a beat of the track's tempo; over several drills their
mean.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import fmean
from typing import Protocol, TypeVar
from uuid import UUID

from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership, Role
from crewprep.crews.selectors import members_of, membership_for
from crewprep.onboarding.figures import NOTHING, Confusion, Pooled, Share, boundary_f, confusion
from crewprep.onboarding.models import Drill, DrillScore
from crewprep.onboarding.rules import may_see_progress
from crewprep.onboarding.scoring import BEAT, MISSES, QUARTER, ROUND, WITHIN, Miss, SlotScore, Within
from crewprep.sheets.models import SheetMarker

HALF_SECOND_US = 500_000
_QUARTER_WITHOUT_TEMPO_US = 250_000
"""Where a track has no tempo, seconds stand for beats (``analysis.musical_time``)."""

T = TypeVar("T")

Shares = Mapping[Within, Share]
PooledShares = Mapping[Within, Pooled]
RIGHT: tuple[Miss, ...] = ("exact", "beat")


class Scored(Protocol):
    """As much of a ``DrillScore`` as a confusion needs."""

    @property
    def slot(self) -> int: ...
    @property
    def function(self) -> str: ...
    @property
    def miss(self) -> str: ...
    @property
    def other_slot(self) -> int | None: ...


@dataclass(frozen=True, slots=True)
class MissCount:
    """How often a slot was missed in a way; ``phrases`` is the most usual number of phrases late (negative: early),
    ``other`` the function that was most often taken for it; None where the miss has none."""

    miss: Miss
    times: int
    phrases: int | None
    other: str | None


@dataclass(frozen=True, slots=True)
class SlotProgress:
    """How a slot was marked over all drills. ``slot`` is that of the current version, None where it has none such."""

    function: str
    which: str
    slot: Slot | None
    within: Shares
    extra: int
    misses: tuple[MissCount, ...]

    @property
    def name(self) -> str:
        """As the current version calls it; else what it is for."""
        return self.slot.name if self.slot else f"{self.function}, {self.which}"

    @property
    def usual(self) -> MissCount | None:
        """The most usual miss; None where there was none."""
        return self.misses[0] if self.misses else None


@dataclass(frozen=True, slots=True)
class DrillProgress:
    """One handed-in drill. ``half_second`` and ``quarter_beat`` are boundary F, 0 to 1."""

    drill_id: UUID
    handed_in_at: dt.datetime
    title: str
    within: Shares
    extra: int
    half_second: float
    quarter_beat: float


@dataclass(frozen=True, slots=True)
class WeekProgress:
    """The drills that were handed in from a Monday on, by the service's clock."""

    monday: dt.date
    drills: int
    within: PooledShares
    extra: int


@dataclass(frozen=True, slots=True)
class Progress:
    """All that a member's drills show; drills and weeks from the oldest on. The means are None without drills."""

    other: Membership
    drills: tuple[DrillProgress, ...]
    weeks: tuple[WeekProgress, ...]
    slots: tuple[SlotProgress, ...]
    within: PooledShares
    extra: int
    confusion: Confusion
    half_second: float | None
    quarter_beat: float | None

    def latest(self, drills: int) -> PooledShares:
        """The shares of the latest so many drills, taken together."""
        return pool(one.within for one in self.drills[-drills:])


def practiser_for(member: Membership, member_id: UUID) -> Membership:
    """The only way for a request to whoever's practice it shows; raises ``NotFound`` as for none, ``Refused``."""
    other = membership_for(member, member_id)
    may_see_progress(member, other).require()
    return other


def progress_for(member: Membership, member_id: UUID) -> Progress:
    """The progress of a member; raises as ``practiser_for``."""
    return progress_of(practiser_for(member, member_id))


def progress_of(other: Membership) -> Progress:
    """What the member's drills show; as many queries for many drills as for few."""
    drills = list(handed_in(other).select_related("track").order_by("handed_in_at", "pk"))
    scores: dict[UUID, list[DrillScore]] = defaultdict(list)
    for score in DrillScore.objects.filter(drill__in=drills):
        scores[score.drill_id].append(score)
    places: dict[UUID, dict[int, int]] = defaultdict(dict)
    markers = SheetMarker.objects.filter(sheet__in={one.sheet_id for one in drills})
    for sheet_id, slot, start_us in markers.values_list("sheet_id", "slot", "start_us"):
        places[sheet_id][slot] = start_us
    grids = {pk: (bpm, max(1, bar)) for pk, bpm, bar in handed_in(other).values_list("pk", *_GRID)}
    lines = [_line(one, scores[one.pk], places[one.sheet_id], *grids[one.pk]) for one in drills]
    bars = {pk: bar for pk, (_, bar) in grids.items()}
    version = current_version(other)
    return Progress(
        other=other,
        drills=tuple(lines),
        weeks=_weeks(lines),
        slots=_slots([score for one in drills for score in scores[one.pk]], bars, version),
        within=pool(line.within for line in lines),
        extra=sum(line.extra for line in lines),
        confusion=confusion(
            (pair for one in drills for pair in functions_set(scores[one.pk], places[one.sheet_id], starts_us(one))),
            order=[slot.function for slot in version.slots.all()] if version else (),
        ),
        half_second=fmean(line.half_second for line in lines) if lines else None,
        quarter_beat=fmean(line.quarter_beat for line in lines) if lines else None,
    )


_GRID = ("sheet__analysis__tempo_bpm", "sheet__analysis__facts__beats_per_bar")
"""Asked for by themselves: the facts of a track are long, and only these are needed of them."""


def handed_in(other: Membership) -> QuerySet[Drill]:
    """The member's drills that were handed in, whose scores count."""
    return Drill.objects.filter(membership=other, handed_in_at__isnull=False)


def scores_of(other: Membership) -> QuerySet[DrillScore]:
    """Every score of the member's handed-in drills, drill by drill from the oldest on."""
    return (
        DrillScore.objects.filter(drill__in=handed_in(other))
        .select_related("drill__track")
        .order_by("drill__handed_in_at", "drill_id", "slot")
    )


def newcomers_of(member: Membership) -> list[tuple[Membership, tuple[Share, ...]]]:
    """The crew's newcomers, each with the share within a beat of every drill from the oldest on; two queries."""
    newcomers = list(members_of(member).filter(role=Role.NEWCOMER))
    near = Q(scores__off_beats__gte=-BEAT - ROUND, scores__off_beats__lte=BEAT + ROUND)
    drills = (
        Drill.objects.filter(membership__in=newcomers, handed_in_at__isnull=False)
        .order_by("handed_in_at", "pk")
        .annotate(
            near=Count("scores", filter=near),
            slots=Count("scores", filter=~Q(scores__miss="extra")),
        )
        .values_list("membership_id", "near", "slots")
    )
    shares: dict[UUID, list[Share]] = defaultdict(list)
    for membership_id, right, slots in drills:
        shares[membership_id].append(Share(right, slots))
    return [(one, tuple(shares[one.pk])) for one in newcomers]


def share_of(scores: Iterable[DrillScore], limit: Within, bars: Mapping[UUID, int]) -> Share:
    """How many of the sheet's slots were marked within a limit; ``bars`` has the beats of a bar by drill."""
    hits = [
        SlotScore(one.slot, "exact", off_beats=one.off_beats).within(limit, bars[one.drill_id])
        for one in scores
        if one.miss != "extra"
    ]
    return Share(sum(hits), len(hits))


def pool(shares: Iterable[Shares]) -> PooledShares:
    """Shares of several drills taken together: as sure as the drills' differences allow."""
    found = list(shares)
    return {limit: Pooled(tuple(one[limit] for one in found)) for limit in WITHIN}


def starts_us(drill: Drill) -> dict[int, int]:
    """Where the member's markers start, by slot."""
    return {marker["slot"]: marker["start_us"] for marker in drill.markers}


def functions_set(
    scores: Sequence[Scored], right_us: Mapping[int, int], placed_us: Mapping[int, int]
) -> list[tuple[str, str]]:
    """Pairs of (function meant, function set) of one drill, as ``figures.taken_for`` finds them on the grid: what was
    set at each place of the sheet, ``NOTHING`` where nothing was; then the markers that lie at none.

    Read off the scores, so that no grid has to be fetched; ``right_us`` and ``placed_us`` are the starts by slot.
    """
    strays = [one for one in scores if one.miss not in (*RIGHT, "missing")]
    pairs: list[tuple[str, str]] = []
    placed: set[int] = set()
    for meant in scores:
        if meant.miss == "extra":
            continue
        if meant.miss in RIGHT:
            pairs.append((meant.function, meant.function))
            continue
        there = [
            (one.function != meant.function, abs(placed_us[one.slot] - right_us[meant.slot]), one.slot, one.function)
            for one in strays
            if one.other_slot == meant.slot
        ]
        *_, slot, function = min(there, default=(False, 0, 0, NOTHING))
        pairs.append((meant.function, function))
        placed.add(slot)
    return [*pairs, *((NOTHING, one.function) for one in strays if one.slot not in placed)]


def _line(
    drill: Drill, scores: Sequence[DrillScore], right_us: Mapping[int, int], bpm: float | None, bar: int
) -> DrillProgress:
    assert drill.handed_in_at is not None
    placed_us = starts_us(drill).values()
    quarter_us = round(60e6 / bpm * QUARTER) if bpm else _QUARTER_WITHOUT_TEMPO_US
    return DrillProgress(
        drill_id=drill.pk,
        handed_in_at=drill.handed_in_at,
        title=drill.track.title,
        within={limit: share_of(scores, limit, {drill.pk: bar}) for limit in WITHIN},
        extra=sum(one.miss == "extra" for one in scores),
        half_second=boundary_f(right_us.values(), placed_us, HALF_SECOND_US).f,
        quarter_beat=boundary_f(right_us.values(), placed_us, quarter_us).f,
    )


def _weeks(lines: Sequence[DrillProgress]) -> tuple[WeekProgress, ...]:
    def monday(line: DrillProgress) -> dt.date:
        day = timezone.localdate(line.handed_in_at)
        return day - dt.timedelta(days=day.weekday())

    weeks = [(day, list(group)) for day, group in groupby(lines, key=monday)]
    return tuple(
        WeekProgress(day, len(group), pool(one.within for one in group), sum(one.extra for one in group))
        for day, group in weeks
    )


def _slots(
    scores: Sequence[DrillScore], bars: Mapping[UUID, int], version: ConventionVersion | None
) -> tuple[SlotProgress, ...]:
    """By function and which, in the order of the current version; those that it does not have come last."""
    functions = {(one.drill_id, one.slot): one.function for one in scores}
    named: dict[tuple[str, str], Slot] = {}
    for slot in version.slots.all() if version else ():
        named.setdefault((slot.function, slot.which), slot)
    by_slot: dict[tuple[str, str], list[DrillScore]] = {key: [] for key in named}
    for one in scores:
        by_slot.setdefault((one.function, one.which), []).append(one)
    return tuple(
        SlotProgress(
            function=function,
            which=which,
            slot=named.get((function, which)),
            within={limit: share_of(found, limit, bars) for limit in WITHIN},
            extra=sum(one.miss == "extra" for one in found),
            misses=_misses(found, functions),
        )
        for (function, which), found in by_slot.items()
    )


def _misses(scores: Sequence[DrillScore], functions: Mapping[tuple[UUID, int], str]) -> tuple[MissCount, ...]:
    """The ways of missing a slot, the most usual first and of equals the one that a teacher would name first."""
    found = []
    for miss in MISSES:
        such = [one for one in scores if one.miss == miss]
        if such and miss != "exact":
            phrases = Counter(one.phrases for one in such if one.phrases is not None and miss == "phrase")
            others = Counter(
                functions[one.drill_id, one.other_slot]
                for one in such
                if one.other_slot is not None and (one.drill_id, one.other_slot) in functions
            )
            found.append(MissCount(miss, len(such), _most(phrases), _most(others)))
    return tuple(sorted(found, key=lambda one: -one.times))


def _most(counts: Counter[T]) -> T | None:
    return counts.most_common(1)[0][0] if counts else None
