"""Which approved sheets of a crew other rules would touch, and why."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from uuid import UUID

from django.db.models import OuterRef, QuerySet, Subquery

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.comparison import Comparison, compare_slots
from crewprep.conventions.models import Convention, ConventionVersion, Slot
from crewprep.crates.models import Crate
from crewprep.crews.models import Crew
from crewprep.sheets.effect import REASON_KINDS, Reason, ReasonKind, SheetView, needs_grid, reasons
from crewprep.sheets.models import SheetMarker, SheetVersion

_GRIDS_AT_A_TIME = 200


@dataclass(frozen=True, slots=True)
class Touched:
    """A sheet whose meaning changes, and why."""

    sheet: SheetVersion
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """How many sheets have a reason of one kind at one slot."""

    kind: ReasonKind
    slot: int
    sheets: int


@dataclass(frozen=True, slots=True)
class Effect:
    """What rules would do: how many sheets keep their meaning, and those that do not, by title."""

    kept: int
    touched: tuple[Touched, ...]

    @property
    def counts(self) -> tuple[ReasonCount, ...]:
        """The reasons with the number of sheets that have them."""
        counted: Counter[tuple[ReasonKind, int]] = Counter()
        for line in self.touched:
            counted.update({(one.kind, one.slot) for one in line.reasons})
        found = [ReasonCount(kind, slot, sheets) for (kind, slot), sheets in counted.items()]
        return tuple(sorted(found, key=lambda one: (REASON_KINDS.index(one.kind), one.slot)))


def effect_on_convention(
    crew: Crew, name: str, slots: Iterable[Slot], *, version: ConventionVersion | None = None
) -> Effect:
    """What rules would do to the latest sheets that follow the crew's convention of that name; ``version`` holds the
    rules where they are published already. A handful of queries for any number of sheets."""
    convention = Convention.objects.filter(crew=crew, name=name).first()
    if convention is None:
        return Effect(0, ())
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
    found = list(sheets.select_related("track").order_by("track__title", "track__pk"))
    comparisons = _comparisons({sheet.convention_version_id for sheet in found}, list(slots), version)
    views = _views(sheets, found)
    why: dict[UUID, tuple[Reason, ...]] = {}
    measured: list[SheetVersion] = []
    for sheet in found:
        comparison, view = comparisons[sheet.convention_version_id], views[sheet.pk]
        if needs_grid(comparison, view):
            measured.append(sheet)
        else:
            why[sheet.pk] = reasons(comparison, view)
    for sheet, grid in _with_grids(measured):
        why[sheet.pk] = reasons(comparisons[sheet.convention_version_id], views[sheet.pk], grid)
    touched = [Touched(sheet, why[sheet.pk]) for sheet in found if why[sheet.pk]]
    return Effect(len(found) - len(touched), tuple(touched))


def latest_sheets(crew: Crew) -> QuerySet[SheetVersion]:
    """The sheet of every track of a crew that has one."""
    newest = SheetVersion.objects.filter(track=OuterRef("track")).order_by("-number").values("pk")[:1]
    return SheetVersion.objects.filter(crew=crew, pk=Subquery(newest))


def _comparisons(
    versions: Collection[UUID], slots: list[Slot], version: ConventionVersion | None
) -> dict[UUID, Comparison]:
    """What differs from each of the versions that sheets follow; nothing from the version itself."""
    old: dict[UUID, list[Slot]] = defaultdict(list)
    for slot in Slot.objects.filter(version__in=versions):
        old[slot.version_id].append(slot)
    return {
        pk: compare_slots(slots, slots) if version is not None and pk == version.pk else compare_slots(old[pk], slots)
        for pk in versions
    }


def _views(chosen: QuerySet[SheetVersion], sheets: list[SheetVersion]) -> dict[UUID, SheetView]:
    markers: dict[UUID, dict[int, tuple[int, int | None]]] = defaultdict(dict)
    labels: dict[UUID, dict[int, str]] = defaultdict(dict)
    rows = SheetMarker.objects.filter(sheet__in=chosen.order_by().values("pk")).order_by()
    fields = rows.values_list("sheet_id", "slot", "start_us", "end_us", "label")
    for sheet, slot, start_us, end_us, label in fields.iterator():
        markers[sheet][slot] = (start_us, end_us)
        if label:
            labels[sheet][slot] = label
    return {sheet.pk: SheetView(markers[sheet.pk], _odd_loops(sheet), labels[sheet.pk]) for sheet in sheets}


def _odd_loops(sheet: SheetVersion) -> frozenset[int] | None:
    """Slots whose loops were not as long as asked for when the sheet was approved."""
    if sheet.findings is None:
        return None
    return frozenset(finding["slot"] for finding in sheet.findings if finding["check"] == "loop-length")


def _with_grids(sheets: list[SheetVersion]) -> Iterator[tuple[SheetVersion, MusicalTime]]:
    """Sheets with the grids of their analyses, some at a time: the facts are large and read only for these."""
    for first in range(0, len(sheets), _GRIDS_AT_A_TIME):
        some = sheets[first : first + _GRIDS_AT_A_TIME]
        facts = Analysis.objects.only("facts").in_bulk([sheet.analysis_id for sheet in some])
        for sheet in some:
            yield sheet, MusicalTime.of(facts[sheet.analysis_id].result)
