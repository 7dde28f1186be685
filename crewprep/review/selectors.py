"""Reading proposals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from crewprep.common.errors import NotFound
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.review.lifecycle import PENDING
from crewprep.review.merging import SlotMerge, merge_slots
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.sheets.carrying import carry_over
from crewprep.sheets.markers import Change, compare
from crewprep.sheets.models import MarkerFields, SheetVersion
from crewprep.sheets.selectors import current_draft, latest_sheet
from crewprep.tracks.models import Track


def proposals_of(member: Membership) -> QuerySet[Proposal]:
    """The crew's proposals, oldest first."""
    return (
        Proposal.objects.filter(crew=member.crew)
        .select_related(
            "track",
            "proposed_by",
            "changed_by",
            "reviewed_by",
            "first_approved_by",
            "asked",
            "base",
            "sheet",
            "analysis",
            "convention_version__convention",
        )
        .order_by("created_at")
    )


def open_proposals(member: Membership) -> QuerySet[Proposal]:
    """The queue: open proposals, oldest first."""
    return proposals_of(member).filter(state=ProposalState.OPEN)


def waiting_in_queue(member: Membership) -> dict[str, int]:
    """How many proposals are open (``waiting``), and how many of them were put to the member (``put_to_them``)."""
    return open_proposals(member).aggregate(waiting=Count("pk"), put_to_them=Count("pk", filter=Q(asked=member.user)))


def open_for(member: Membership) -> QuerySet[Proposal]:
    """The open proposals that the member may review, oldest first: ``rules.may_review`` asked of the table."""
    if not may_review_at_all(member):
        return open_proposals(member).none()
    me = member.user_id
    had_a_hand = Proposal.contributors.through.objects.filter(proposal=OuterRef("pk"), user=me)
    return (
        open_proposals(member)
        .exclude(Q(proposed_by=me) | Q(changed_by=me))
        .filter(Q(first_approved_by=None) | ~Q(first_approved_by=me))
        .filter(~Exists(had_a_hand))
    )


def proposal_for(member: Membership, proposal_id: UUID) -> Proposal:
    """The only way for a request to reach a proposal; raises ``NotFound`` for another crew's as for none."""
    proposal = (
        proposals_of(member)
        .prefetch_related(
            "markers",
            "remarks__by",
            "remarks__resolved_by",
            "remarks__replies__by",
            "convention_version__slots",
            "contributors",
        )
        .filter(pk=proposal_id)
        .first()
    )
    if proposal is None:
        raise NotFound
    return proposal


def pending_proposal(track: Track) -> Proposal | None:
    """The track's open or returned proposal, if any."""
    return (
        Proposal.objects.filter(track=track, state__in=PENDING)
        .select_related("proposed_by", "changed_by")
        .prefetch_related("markers")
        .first()
    )


def pending_in_crate(crate: Crate) -> int:
    """How many tracks of a crate have a pending proposal."""
    return Proposal.objects.filter(track__in=crate.places.values("track"), state__in=PENDING).count()


def markers_before(proposal: Proposal) -> list[MarkerFields]:
    """What the proposal changes: the base version's markers, or the draft's for a track's first sheet.

    A base by another convention version is read by function, so that slots which got new numbers do not look moved.
    """
    if proposal.base is not None:
        return based_on(proposal.base, proposal.convention_version)
    draft = current_draft(proposal.track, proposal.convention_version)
    return list(draft.markers.all()) if draft else []


def based_on(base: SheetVersion, version: ConventionVersion) -> list[MarkerFields]:
    """A sheet's markers as they stand under a convention version."""
    return carried(list(base.markers.all()), base.convention_version, version)


def carried(markers: Sequence[MarkerFields], old: ConventionVersion, new: ConventionVersion) -> list[MarkerFields]:
    """Markers of one convention version as they stand under another."""
    if old.pk == new.pk:
        return list(markers)
    return carry_over(markers, compare_slots(old.slots.all(), new.slots.all()))


def changes_of(proposal: Proposal) -> list[Change]:
    """Old and new by slot."""
    return compare(markers_before(proposal), proposal.markers.all())


def remark_for(member: Membership, proposal: Proposal, remark_id: UUID) -> Remark:
    """A remark on a proposal that came through ``proposal_for``; raises ``NotFound``."""
    remark = (
        Remark.objects.filter(pk=remark_id, proposal=proposal, proposal__crew=member.crew)
        .select_related("by", "resolved_by")
        .first()
    )
    if remark is None:
        raise NotFound
    remark.proposal = proposal
    return remark


@dataclass(frozen=True, slots=True)
class StaleBase:
    """A proposal whose base was overtaken: the track's latest sheet, and what a merge with it comes to by slot.

    ``version`` is the convention version that the merged proposal follows, whose slots all three sides are read by.
    """

    sheet: SheetVersion
    version: ConventionVersion
    slots: list[SlotMerge]

    @property
    def conflicts(self) -> list[SlotMerge]:
        """The slots that wait for a choice."""
        return [slot for slot in self.slots if slot.conflict]


def merge_of(proposal: Proposal) -> StaleBase | None:
    """What a pending proposal has to be merged with; None where its base is still the track's sheet."""
    if proposal.state not in PENDING:
        return None
    sheet = latest_sheet(proposal.track)
    if sheet is None or sheet.pk == proposal.base_id:
        return None
    old, version = proposal.convention_version, _later(proposal.convention_version, sheet.convention_version)
    before = carried(markers_before(proposal), old, version)
    yours = carried(list(proposal.markers.all()), old, version)
    return StaleBase(sheet, version, merge_slots(before, based_on(sheet, version), yours))


def _later(own: ConventionVersion, other: ConventionVersion) -> ConventionVersion:
    """The later of two versions of one convention; the proposal's own where the conventions are two."""
    return other if own.convention_id == other.convention_id and other.number > own.number else own
