"""Which approved sheets of a crew other rules would touch, and why."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, overload
from uuid import UUID

from django.db.models import OuterRef, QuerySet, Subquery

from crewprep.conventions.comparison import Comparison, compare_slots
from crewprep.conventions.models import Convention, ConventionVersion, Slot
from crewprep.crates.models import Crate
from crewprep.crews.models import Crew
from crewprep.sheets.effect import REASON_KINDS, Reason, ReasonKind
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.shapes import Judged, judge, outlines


@dataclass(frozen=True, slots=True)
class Touched:
    """A sheet whose meaning changes, and why."""

    sheet: SheetVersion
    reasons: tuple[Reason, ...]


class TouchedIds(NamedTuple):
    """The ids of such a sheet and of its track, and why."""

    sheet_id: UUID
    track_id: UUID
    reasons: tuple[Reason, ...]


class TouchedSheets(Sequence[Touched]):
    """Sheets whose meaning changes, in order. Their rows are read of those that are asked for: of a page, or of all."""

    def __init__(self, ids: Sequence[TouchedIds]) -> None:
        self.ids = ids

    def __len__(self) -> int:
        return len(self.ids)

    @overload
    def __getitem__(self, place: int) -> Touched: ...
    @overload
    def __getitem__(self, place: slice) -> list[Touched]: ...
    def __getitem__(self, place: int | slice) -> Touched | list[Touched]:
        return self._read(self.ids[place]) if isinstance(place, slice) else self._read([self.ids[place]])[0]

    def __iter__(self) -> Iterator[Touched]:
        return iter(self[:])

    def _read(self, ids: Sequence[TouchedIds]) -> list[Touched]:
        rows = SheetVersion.objects.select_related("track").defer("findings").in_bulk([one.sheet_id for one in ids])
        return [Touched(rows[one.sheet_id], one.reasons) for one in ids]


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """How many sheets have a reason of one kind at one slot."""

    kind: ReasonKind
    slot: int
    sheets: int


@dataclass(frozen=True, slots=True)
class Effect:
    """What rules would do: how many sheets keep their meaning, those that do not, by title, and the reasons with the
    number of sheets that have them."""

    kept: int
    touched: TouchedSheets
    counts: tuple[ReasonCount, ...]


def effect_on_convention(
    crew: Crew, name: str, slots: Iterable[Slot], *, version: ConventionVersion | None = None
) -> Effect:
    """What rules would do to the latest sheets that follow the crew's convention of that name; ``version`` holds the
    rules where they are published already. A handful of queries for any number of sheets."""
    convention = Convention.objects.filter(crew=crew, name=name).first()
    if convention is None:
        return Effect(0, TouchedSheets(()), ())
    sheets = latest_sheets(crew).filter(convention_version__convention=convention)
    return effect_on(sheets, slots, version=version)


def effect_on_crate(crate: Crate, version: ConventionVersion) -> Effect:
    """What another version would do to the latest sheets of a crate's tracks, whatever they follow."""
    sheets = latest_sheets(crate.crew).filter(track__in=crate.places.values("track"))
    return effect_on(sheets, version.slots.all(), version=version)


def effect_on(
    sheets: QuerySet[SheetVersion], slots: Iterable[Slot], *, version: ConventionVersion | None = None
) -> Effect:
    """What rules would do to sheets; those by ``version`` itself keep their meaning."""
    found = outlines(sheets)
    judged = judge(sheets, found, _comparisons({one.version for one in found}, list(slots), version))
    touched = [
        TouchedIds(UUID(one.sheet), UUID(one.track), why)
        for one, place in zip(found, judged.places, strict=True)
        if (why := judged.answers[place])
    ]
    return Effect(len(found) - len(touched), TouchedSheets(touched), _counts(judged))


def latest_sheets(crew: Crew) -> QuerySet[SheetVersion]:
    """The sheet of every track of a crew that has one."""
    newest = SheetVersion.objects.filter(track=OuterRef("track")).order_by("-number").values("pk")[:1]
    return SheetVersion.objects.filter(crew=crew, pk=Subquery(newest))


def _comparisons(
    versions: Collection[str], slots: list[Slot], version: ConventionVersion | None
) -> dict[str, Comparison]:
    """What differs from each of the versions that sheets follow, by their ids as text; nothing from the version
    itself."""
    ids = {UUID(text): text for text in versions}
    old: dict[UUID, list[Slot]] = defaultdict(list)
    for slot in Slot.objects.filter(version__in=ids):
        old[slot.version_id].append(slot)
    return {
        text: compare_slots(slots if version is not None and pk == version.pk else old[pk], slots)
        for pk, text in ids.items()
    }


def _counts(judged: Judged) -> tuple[ReasonCount, ...]:
    counted: Counter[tuple[ReasonKind, int]] = Counter()
    for place, sheets in Counter(judged.places).items():
        for key in {(one.kind, one.slot) for one in judged.answers[place]}:
            counted[key] += sheets
    found = [ReasonCount(kind, slot, sheets) for (kind, slot), sheets in counted.items()]
    return tuple(sorted(found, key=lambda one: (REASON_KINDS.index(one.kind), one.slot)))
