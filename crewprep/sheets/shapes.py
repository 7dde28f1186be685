"""Judging many sheets by other rules at once: every shape of sheet is judged once.

Where the rules need no grid they ask only which slots of a sheet are filled, which of its loops were odd and, where
other labels are agreed on, how it is labelled: its *shape*. The sheets of a crew have few of them. So the database
tells which slots each sheet fills, and times, findings and grids are read only of sheets that cannot be judged without.

Ids are read as text: making a ``UUID`` of each takes as long as the rest, and most are of sheets that nobody looks at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple
from uuid import UUID

from django.db.models import BigIntegerField, CharField, F, OuterRef, Q, QuerySet, Subquery, Sum, TextField, Value
from django.db.models.functions import Cast

from crewprep.analysis.selectors import grids_of
from crewprep.conventions.comparison import Comparison
from crewprep.sheets.effect import Reason, SheetView, lengthened, needs_grid, reasons, relabelled
from crewprep.sheets.models import SheetMarker, SheetVersion

_GRIDS_AT_A_TIME = 500

Why = tuple[Reason, ...]


class Outline(NamedTuple):
    """A sheet: its id, its track's and its version's as text, and a bit for each slot that is filled (slot 1: 2)."""

    sheet: str
    track: str
    version: str
    filled: int


class _Shape(NamedTuple):
    version: str
    filled: int
    odd_loops: frozenset[int] | None
    labels: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """What rules say of sheets: ``answers`` has every reply once (empty: the sheet keeps its meaning), ``places`` of
    each sheet which of them is its own."""

    answers: Sequence[Why]
    places: Sequence[int]


def outlines(sheets: QuerySet[SheetVersion]) -> list[Outline]:
    """The outlines of sheets, by title; one query."""
    bit = Cast(Value(1), BigIntegerField()).bitleftshift(F("slot"))  # type: ignore[arg-type]  # Django takes an expression here
    filled = SheetMarker.objects.filter(sheet=OuterRef("pk")).order_by().values("sheet").annotate(filled=Sum(bit))
    ids = (Cast(field, CharField()) for field in ("pk", "track_id", "convention_version_id"))
    rows = sheets.order_by("track__title", "track__pk").values_list(
        *ids, Subquery(filled.values("filled"), output_field=BigIntegerField())
    )
    return [Outline(sheet, track, version, filled or 0) for sheet, track, version, filled in rows]


def judge(sheets: QuerySet[SheetVersion], found: Sequence[Outline], comparisons: Mapping[str, Comparison]) -> Judged:
    """What rules say of sheets and their outlines; ``comparisons`` of the rules that each version has with the new."""
    odd_loops = _odd_loops(sheets) if any(map(lengthened, comparisons.values())) else {}
    labels = _labels(sheets, frozenset().union(*map(relabelled, comparisons.values())))
    known: dict[_Shape, int | None] = {}
    answers: list[Why] = []
    places: list[int] = []
    unknown: list[int] = []
    for number, one in enumerate(found):
        shape = _Shape(
            one.version, one.filled, odd_loops.get(one.sheet, frozenset()), tuple(labels.get(one.sheet, {}).items())
        )
        if shape not in known:
            view = SheetView(dict.fromkeys(_slots(one.filled), (0, None)), shape.odd_loops, dict(shape.labels))
            if needs_grid(comparisons[one.version], view):
                known[shape] = None
            else:
                known[shape] = len(answers)
                answers.append(reasons(comparisons[one.version], view))
        place = known[shape]
        if place is None:
            unknown.append(number)
        places.append(-1 if place is None else place)
    for number, why in zip(unknown, _by_grid([found[number] for number in unknown], comparisons, labels), strict=True):
        places[number] = len(answers)
        answers.append(why)
    return Judged(answers, places)


def _by_grid(
    found: Sequence[Outline], comparisons: Mapping[str, Comparison], labels: Mapping[str, Mapping[int, str]]
) -> Iterator[Why]:
    """The reasons of sheets that need their tracks' grids, some at a time."""
    for first in range(0, len(found), _GRIDS_AT_A_TIME):
        some = {UUID(one.sheet): one for one in found[first : first + _GRIDS_AT_A_TIME]}
        analyses = dict(SheetVersion.objects.filter(pk__in=some).order_by().values_list("pk", "analysis_id"))
        markers: dict[UUID, dict[int, tuple[int, int | None]]] = defaultdict(dict)
        rows = SheetMarker.objects.filter(sheet__in=some).order_by()
        for sheet, slot, start_us, end_us in rows.values_list("sheet_id", "slot", "start_us", "end_us"):
            markers[sheet][slot] = (start_us, end_us)
        grids = grids_of(set(analyses.values()))
        for pk, one in some.items():
            view = SheetView(markers[pk], labels=labels.get(one.sheet, {}))
            yield reasons(comparisons[one.version], view, grids[analyses[pk]])


def _odd_loops(sheets: QuerySet[SheetVersion]) -> dict[str, frozenset[int] | None]:
    """Of sheets that have some the slots whose loops were not as long as asked for when they were approved; None for
    those that nobody has checked. Findings are searched as text first, as most have none of this kind."""
    said = Q(findings_text__contains='"loop-length"') | Q(findings__isnull=True)
    rows = sheets.annotate(findings_text=Cast("findings", TextField())).filter(said).order_by()
    return {
        sheet: None
        if findings is None
        else frozenset(finding["slot"] for finding in findings if finding["check"] == "loop-length")
        for sheet, findings in rows.values_list(Cast("pk", CharField()), "findings")
    }


def _labels(sheets: QuerySet[SheetVersion], slots: Collection[int]) -> dict[str, dict[int, str]]:
    """The labels of sheets in some slots, in the order of the slots."""
    found: dict[str, dict[int, str]] = defaultdict(dict)
    if slots:
        rows = SheetMarker.objects.filter(sheet__in=sheets.order_by().values("pk"), slot__in=slots).exclude(label="")
        fields = rows.order_by("slot").values_list(Cast("sheet_id", CharField()), "slot", "label")
        for sheet, slot, label in fields:
            found[sheet][slot] = label
    return found


def _slots(filled: int) -> Iterator[int]:
    """The slots whose bits are set."""
    return (slot for slot in range(filled.bit_length()) if filled >> slot & 1)
