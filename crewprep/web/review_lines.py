"""Proposals as lists and pages show them: what changed, and whether this member may review."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.access import Answer
from crewprep.conventions.models import Slot
from crewprep.crates.models import CrateTrack
from crewprep.crews.models import Membership
from crewprep.review.models import Proposal, ProposedMarker, Remark, Verdict
from crewprep.review.rules import may_resolve, may_review
from crewprep.review.seen import changed_since
from crewprep.review.selectors import based_on, changes_of, open_for, open_proposals, waiting_in_queue
from crewprep.sheets.house_checks import Finding
from crewprep.sheets.markers import MarkerInput, compare, plain_by
from crewprep.sheets.models import Draft, DraftMarker, MarkerFields
from crewprep.sheets.selectors import latest_numbers
from crewprep.web.check_parts import TONES
from crewprep.web.words import change_words, length_words

PROPOSALS_A_PAGE = 50


@dataclass(frozen=True, slots=True)
class QueueLine:
    """An open proposal in the queue. ``changed`` counts slots that differ from what it started from, ``open_threads``
    remarks that nobody has settled; ``newer`` is the number of a sheet that was approved since, 0 for none."""

    proposal: Proposal
    changed: int
    markers: int
    answer: Answer
    open_threads: int
    newer: int
    put_to_you: bool


@dataclass(frozen=True, slots=True)
class Queue:
    """A page of the queue; how many wait in all, how many of them for this member, how many were put to them."""

    lines: list[QueueLine]
    waiting: int
    yours: int
    put_to_you: int
    page: int
    pages: int


def queue(member: Membership, page: int = 1) -> Queue:
    """Open proposals, oldest first; a fixed number of queries for any number of proposals.

    A page that is not there is the nearest that is.
    """
    counted = waiting_in_queue(member)
    waiting = counted["waiting"]
    pages = max(1, -(-waiting // PROPOSALS_A_PAGE))
    page = max(1, min(page, pages))
    return Queue(
        lines=_queue_lines(member, (page - 1) * PROPOSALS_A_PAGE),
        waiting=waiting,
        yours=open_for(member).count(),
        put_to_you=counted["put_to_them"],
        page=page,
        pages=pages,
    )


def _queue_lines(member: Membership, first: int) -> list[QueueLine]:
    proposals = list(
        open_proposals(member)
        # Not all that a proposal's own page needs: planning a join of twelve tables takes PostgreSQL 18 ms.
        .select_related(None)
        .select_related("track", "proposed_by", "changed_by", "asked", "first_approved_by")
        .prefetch_related(
            "contributors",
            "remarks",
            "base__markers",
            "base__convention_version__slots",
            "convention_version__slots",
        )[first : first + PROPOSALS_A_PAGE]
    )
    markers = plain_by("proposal", ProposedMarker.objects.filter(proposal__in=proposals))
    drafts = _draft_markers(proposal for proposal in proposals if proposal.base is None)
    latest = latest_numbers([proposal.track_id for proposal in proposals])
    lines = []
    for proposal in proposals:
        before: Iterable[MarkerInput | MarkerFields] = (
            based_on(proposal.base, proposal.convention_version)
            if proposal.base is not None
            else drafts.get((proposal.track_id, proposal.convention_version_id), [])
        )
        changes = compare(before, markers[proposal.pk])
        changed = sum(change.kind != "kept" for change in changes)
        newest = latest.get(proposal.track_id, 0)
        lines.append(
            QueueLine(
                proposal=proposal,
                changed=changed,
                markers=len(markers[proposal.pk]),
                answer=may_review(member, proposal),
                open_threads=sum(remark.resolved_at is None for remark in proposal.remarks.all()),
                newer=newest if newest != (proposal.base.number if proposal.base else 0) else 0,
                put_to_you=proposal.asked_id == member.user_id,
            )
        )
    return lines


def next_to_review(member: Membership, after: Proposal) -> Proposal | None:
    """The oldest open proposal that the member may review, other than the one just decided."""
    return open_for(member).defer("analysis__facts").exclude(pk=after.pk).first()


def _draft_markers(proposals: Iterable[Proposal]) -> dict[tuple[UUID, UUID], list[MarkerInput]]:
    """The markers of each track's current draft by each convention version, as ``sheets.selectors.current_draft``."""
    wanted = list(proposals)
    newest: dict[UUID, UUID] = {}
    for track, analysis in (
        Analysis.objects.filter(track__in=[proposal.track_id for proposal in wanted])
        .order_by("-created_at")
        .values_list("track_id", "pk")
    ):
        newest.setdefault(track, analysis)
    drafts = Draft.objects.filter(
        analysis__in=newest.values(),
        convention_version__in=[proposal.convention_version_id for proposal in wanted],
    ).order_by()
    found = {pk: (track, version) for pk, track, version in drafts.values_list("pk", "track", "convention_version")}
    markers = plain_by("draft", DraftMarker.objects.filter(draft__in=found))
    return {key: markers[pk] for pk, key in found.items()}


def place_of(proposal: Proposal) -> CrateTrack | None:
    """The track's place in a crate, one that follows the proposal's convention where there is one."""
    places = CrateTrack.objects.filter(track=proposal.track_id, crate__crew=proposal.crew_id).select_related("crate")
    return min(
        places.order_by("-created_at"),
        key=lambda place: place.crate.convention_version_id != proposal.convention_version_id,
        default=None,
    )


@dataclass(frozen=True, slots=True)
class Place:
    """Where a marker stands, in words: address, clock time and length are done by the page."""

    start_us: int
    end_us: int | None
    address: str
    length: str
    label: str


@dataclass(frozen=True, slots=True)
class Thread:
    """A remark with what was said to it; ``may_settle`` is whether this member may resolve it or take that back."""

    remark: Remark
    may_settle: Answer


@dataclass(frozen=True, slots=True)
class FindingLine:
    """What a house check found at a slot, ready to be a remark."""

    severity: str
    tone: str
    sentence: str


@dataclass(frozen=True, slots=True)
class SlotLine:
    """One slot of a proposal, old and new, with what was said about it and what the house checks find.

    ``since`` is empty where this member gave no verdict on an earlier revision, else ``changed`` or ``same``.
    """

    slot: Slot
    kind: str
    words: str
    old: Place | None
    new: Place | None
    threads: tuple[Thread, ...]
    findings: tuple[FindingLine, ...]
    since: str
    typed: str


def slot_lines(
    proposal: Proposal, *, member: Membership, typed: dict[int, str], seen: Verdict | None, findings: Iterable[Finding]
) -> list[SlotLine]:
    """Every slot of the convention in order; ``typed`` are remarks that were sent and are not stored."""
    grid = MusicalTime.of(proposal.analysis.result)
    changes = {change.slot: change for change in changes_of(proposal)}
    threads: dict[int, list[Thread]] = defaultdict(list)
    for remark in proposal.remarks.all():
        remark.proposal = proposal
        threads[remark.slot].append(Thread(remark, may_resolve(member, remark)))
    found: dict[int, list[FindingLine]] = defaultdict(list)
    for one in findings:
        found[one.slot].append(FindingLine(one.severity, TONES[one.severity], one.sentence))
    since = None if seen is None else changed_since(seen, proposal)
    lines = []
    for slot in proposal.convention_version.slots.all():
        change = changes.get(slot.number)
        lines.append(
            SlotLine(
                slot=slot,
                kind=change.kind if change else "empty",
                words=change_words(grid, change) if change else "left empty",
                old=place_in(grid, change.old) if change else None,
                new=place_in(grid, change.new) if change else None,
                threads=tuple(threads[slot.number]),
                findings=tuple(found[slot.number]),
                since="" if since is None else "changed" if slot.number in since else "same",
                typed=typed.get(slot.number, ""),
            )
        )
    return lines


def place_in(grid: MusicalTime, marker: MarkerFields | MarkerInput | None) -> Place | None:
    """Where a marker stands; None for none."""
    if marker is None:
        return None
    return Place(
        marker.start_us, marker.end_us, grid.address(marker.start_us), length_words(grid, marker), marker.label
    )
