"""Reading proposals."""

from __future__ import annotations

from uuid import UUID

from django.db.models import QuerySet

from crewprep.common.errors import NotFound
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.carrying import carry_over
from crewprep.sheets.markers import Change, compare
from crewprep.sheets.models import MarkerFields, SheetVersion
from crewprep.sheets.selectors import current_draft
from crewprep.tracks.models import Track


def proposals_of(member: Membership) -> QuerySet[Proposal]:
    """The crew's proposals, oldest first."""
    return (
        Proposal.objects.filter(crew=member.crew)
        .select_related(
            "track", "proposed_by", "changed_by", "reviewed_by", "base", "analysis", "convention_version__convention"
        )
        .order_by("created_at")
    )


def open_proposals(member: Membership) -> QuerySet[Proposal]:
    """The queue: open proposals, oldest first."""
    return proposals_of(member).filter(state=ProposalState.OPEN)


def proposal_for(member: Membership, proposal_id: UUID) -> Proposal:
    """The only way for a request to reach a proposal; raises ``NotFound`` for another crew's as for none."""
    proposal = (
        proposals_of(member)
        .prefetch_related("markers", "remarks__by", "convention_version__slots")
        .filter(pk=proposal_id)
        .first()
    )
    if proposal is None:
        raise NotFound
    return proposal


def pending_proposal(track: Track) -> Proposal | None:
    """The track's open or returned proposal, if any."""
    return (
        Proposal.objects.filter(track=track, state__in=[ProposalState.OPEN, ProposalState.RETURNED])
        .select_related("proposed_by", "changed_by")
        .prefetch_related("markers")
        .first()
    )


def pending_in_crate(crate: Crate) -> int:
    """How many tracks of a crate have a pending proposal."""
    states = [ProposalState.OPEN, ProposalState.RETURNED]
    return Proposal.objects.filter(track__in=crate.places.values("track"), state__in=states).count()


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
    markers = list(base.markers.all())
    if base.convention_version_id == version.pk:
        return list(markers)
    return carry_over(markers, compare_slots(base.convention_version.slots.all(), version.slots.all()))


def changes_of(proposal: Proposal) -> list[Change]:
    """Old and new by slot."""
    return compare(markers_before(proposal), proposal.markers.all())
