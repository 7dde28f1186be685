"""What became of each drafted marker: the first approved sheet of a track against the draft that it was made from.

Decided once, in the transaction of the approval (``note_approval`` listens to the record, so that no service below
knows of it), and found again for older sheets (``recount``).

A sheet counts where it is the track's first, as every later one starts from a sheet and not from a draft, and where its
own analysis had been drafted by its convention version before it was proposed. Where a member had corrected the grid,
that is the draft made from the corrected analysis, under the engine that the analysis names. Which markers a member had
on the page nobody can know: what came by the API beside a draft counts as made from it.

====== =============================================================================================================
kept   the start within a quarter of a beat of the draft's, and a loop's end within a quarter of a beat of its end
moved  both have a marker, further apart than that
dropped the draft had a marker, the sheet has none
added  the sheet has a marker, the draft left the slot empty
====== =============================================================================================================

A slot that both leave empty has no row: nobody knows whether it should be.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import ceil
from typing import Protocol

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from crewprep.activity.models import Activity
from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.models import CrewRow
from crewprep.conventions.models import Slot
from crewprep.onboarding.models import Fate, MarkerFate
from crewprep.onboarding.scoring import QUARTER, Marked, phrases_off
from crewprep.review.models import Proposal
from crewprep.sheets.models import Draft, SheetVersion

BAND_EDGES = (0.0, 0.25, 0.5, 0.65, 0.8, 0.9, 1.0)
"""Bands of confidence, each from one edge to below the next, the last one with its end. Two bands each are what pages
call unsure (below 0.5), fairly sure and sure (from 0.8); so many that a picture shows whether confidence is earned."""

_ROUND = 1e-4
"""Beats. Times are whole microseconds, two of them apart: a marker moved by the smallest snap is a quarter away."""


class Drafted(Marked, Protocol):
    """A marker of a draft: how sure it was, 0 to 1."""

    @property
    def confidence(self) -> float: ...


@dataclass(frozen=True, slots=True)
class SlotFate:
    """What became of one slot. Distances are those of the approved marker from the draft's, positive for later, in
    microseconds and in beats of the track's grid: of the start, or of a loop's end where that moved further.
    ``phrases`` are whole phrases later, None where it is no whole number of them."""

    slot: int
    fate: Fate
    confidence: float | None = None
    off_us: int | None = None
    off_beats: float | None = None
    phrases: int | None = None

    @property
    def band(self) -> int | None:
        """The band of the confidence; None where nothing was drafted."""
        return None if self.confidence is None else bisect_right(BAND_EDGES[1:-1], self.confidence)

    @property
    def quarters(self) -> int | None:
        """The distance in quarters of a beat, rounded up."""
        return None if self.off_beats is None else ceil(4 * (abs(self.off_beats) - _ROUND))


def fates_of(drafted: Iterable[Drafted], approved: Iterable[Marked], time: MusicalTime) -> list[SlotFate]:
    """What became of each slot that either has a marker in, by slot (pure)."""
    before = {marker.slot: marker for marker in drafted}
    after = {marker.slot: marker for marker in approved}
    return [_fate(slot, before.get(slot), after.get(slot), time) for slot in sorted(before.keys() | after.keys())]


def _fate(slot: int, before: Drafted | None, after: Marked | None, time: MusicalTime) -> SlotFate:
    if before is None:
        return SlotFate(slot, Fate.ADDED)
    if after is None:
        return SlotFate(slot, Fate.DROPPED, before.confidence)
    edges = [(before.start_us, after.start_us)]
    if before.end_us is not None and after.end_us is not None:
        edges.append((before.end_us, after.end_us))
    apart = [(time.position(then) - time.position(once), then - once) for once, then in edges]
    # Of two edges that moved alike the start is told, also where the tempo makes the end's beats a hair longer.
    off_beats, off_us = max(apart, key=lambda one: round(abs(one[0]), 3))
    same_kind = (before.end_us is None) == (after.end_us is None)
    kept = same_kind and abs(off_beats) <= QUARTER + _ROUND
    phrases = None if kept else phrases_off(time.position(after.start_us), time.position(before.start_us), time)
    return SlotFate(slot, Fate.KEPT if kept else Fate.MOVED, before.confidence, off_us, off_beats, phrases)


def note_approval(row: Activity, subject: CrewRow) -> None:
    """Write the fates of a draft where an activity row says that its sheet was approved; ``record`` calls it."""
    if row.verb != "approved" or not isinstance(subject, Proposal) or subject.base_id is not None:
        return
    sheet = SheetVersion.objects.filter(proposal=subject.pk).first()
    draft = _draft_before(subject)
    if sheet is None or draft is None:
        return
    # What the approval has read already: the facts of a track are long.
    sheet.analysis, sheet.convention_version = subject.analysis, subject.convention_version
    _write(sheet, draft)


def _draft_before(proposal: Proposal) -> Draft | None:
    return (
        Draft.objects.filter(
            analysis=proposal.analysis_id,
            convention_version=proposal.convention_version_id,
            created_at__lte=proposal.created_at,
        )
        .prefetch_related("markers")
        .first()
    )


def sheets_from_drafts() -> QuerySet[SheetVersion]:
    """Approved sheets that tell what became of a draft, of every crew."""
    drafts = Draft.objects.filter(
        analysis=OuterRef("analysis"),
        convention_version=OuterRef("convention_version"),
        created_at__lte=OuterRef("proposal__created_at"),
    ).order_by()
    return SheetVersion.objects.filter(Exists(drafts), proposal__base=None).order_by()


def uncounted() -> QuerySet[SheetVersion]:
    """Those of them without fates: approved before there were any."""
    return sheets_from_drafts().filter(~Exists(MarkerFate.objects.filter(sheet=OuterRef("pk"))))


def recount() -> tuple[int, int]:
    """Decide the fates of every sheet anew; how many sheets, and how many of them had other rows than these."""
    wanted = sheets_from_drafts().select_related("analysis", "convention_version", "proposal")
    with transaction.atomic():
        MarkerFate.objects.exclude(sheet__in=sheets_from_drafts()).delete()
    total = changed = 0
    for sheet in wanted.prefetch_related("markers", "convention_version__slots").iterator(chunk_size=50):
        draft = _draft_before(sheet.proposal)
        assert draft is not None  # a draft is never taken away while its analysis stands
        total += 1
        changed += _rewrite(sheet, draft)
    return total, changed


@transaction.atomic
def _rewrite(sheet: SheetVersion, draft: Draft) -> bool:
    before = _stored(sheet)
    _write(sheet, draft)
    stale = before.keys() - {marker.slot for marker in (*draft.markers.all(), *sheet.markers.all())}
    MarkerFate.objects.filter(sheet=sheet, slot__in=stale).delete()
    return before != _stored(sheet)


_COLUMNS = (
    "engine", "function", "which", "fate", "confidence", "off_us", "off_beats", "phrases", "band", "quarters",
)  # fmt: skip


def _stored(sheet: SheetVersion) -> Mapping[int, Collection[object]]:
    return {row[0]: row[1:] for row in MarkerFate.objects.filter(sheet=sheet).values_list("slot", *_COLUMNS)}


def _write(sheet: SheetVersion, draft: Draft) -> None:
    """One row a slot; a second time the same rows."""
    MarkerFate.objects.bulk_create(
        _rows(sheet, draft), update_conflicts=True, unique_fields=["sheet", "slot"], update_fields=_COLUMNS
    )


def _rows(sheet: SheetVersion, draft: Draft) -> Iterator[MarkerFate]:
    slots: dict[int, Slot] = {slot.number: slot for slot in sheet.convention_version.slots.all()}
    time = MusicalTime.of(sheet.analysis.result)
    for one in fates_of(draft.markers.all(), sheet.markers.all(), time):
        yield MarkerFate(
            crew_id=sheet.crew_id, sheet=sheet, engine=sheet.analysis.engine, slot=one.slot,
            function=slots[one.slot].function, which=slots[one.slot].which, fate=one.fate, confidence=one.confidence,
            off_us=one.off_us, off_beats=one.off_beats, phrases=one.phrases, band=one.band, quarters=one.quarters,
        )  # fmt: skip
