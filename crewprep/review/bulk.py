"""Approving what needs no second look: proposals that are the draft, which is sure enough and passes every check.

It is still one person's named decision on each of them: a verdict, a sheet and an activity row a proposal, never one's
own. The lead says from which confidence; unless one did, there is no bulk approval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from crewprep.common.access import Denied
from crewprep.common.errors import DomainError, Refused
from crewprep.crews.models import Membership
from crewprep.review.content import digest_of, plain
from crewprep.review.models import Proposal, ReviewOptions
from crewprep.review.options import options_of
from crewprep.review.rules import may_review
from crewprep.review.selectors import open_proposals, proposal_for
from crewprep.review.services import give_approval
from crewprep.sheets.checking import findings_of
from crewprep.sheets.models import Draft, SheetVersion

AT_ONCE = 50
"""Proposals that are looked at in one go, the oldest first."""


@dataclass(frozen=True, slots=True)
class BulkLine:
    """An open proposal: ``why_not`` is empty where it may be approved in bulk, else one sentence.

    ``confidence`` is that of the draft's least sure marker, None where there is no draft of it.
    """

    proposal: Proposal
    why_not: str
    confidence: float | None
    digest: str


@dataclass(frozen=True, slots=True)
class Pick:
    """A proposal to approve, with the revision and the digest that were seen."""

    proposal: UUID
    revision: int
    digest: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a pick: approved (``sheet`` is None where it was the first of two approvals), or refused and why."""

    pick: Pick
    title: str
    sheet: SheetVersion | None
    refused: DomainError | None


def bulk_lines(member: Membership) -> list[BulkLine]:
    """The oldest ``AT_ONCE`` open proposals, what may be approved first."""
    options = options_of(member.crew)
    proposals = list(open_proposals(member).prefetch_related(*_NEEDED)[:AT_ONCE])
    sheets = _latest(proposals)
    drafts = _drafts(proposals)
    lines = [
        _line(member, proposal, options, drafts.get(_draft_key(proposal)), sheets.get(proposal.track_id))
        for proposal in proposals
    ]
    return sorted(lines, key=lambda line: bool(line.why_not))


def approve_in_bulk(*, member: Membership, picks: Sequence[Pick], note: str = "") -> list[Outcome]:
    """Approve each pick by itself, as it was seen; one that moved on or may not is told and stops no other."""
    if options_of(member.crew).bulk_confidence is None:
        raise Refused("review:bulk-off")
    return [_approve(member, pick, note) for pick in picks[:AT_ONCE]]


_NEEDED = ("markers", "contributors", "remarks", "convention_version__slots")


def _approve(member: Membership, pick: Pick, note: str) -> Outcome:
    title = ""
    try:
        proposal = proposal_for(member, pick.proposal)
        title = proposal.track.title
        draft, latest = _drafts([proposal]).get(_draft_key(proposal)), _latest([proposal]).get(proposal.track_id)
        line = _line(member, proposal, options_of(member.crew), draft, latest)
        if line.why_not:
            raise Refused("review:not-in-bulk", reason=line.why_not)
        sheet = give_approval(
            member=member, proposal=proposal, seen_revision=pick.revision, seen_digest=pick.digest, note=note
        )
    except DomainError as error:
        return Outcome(pick, title, None, error)
    return Outcome(pick, title, sheet, None)


def _line(
    member: Membership, proposal: Proposal, options: ReviewOptions, draft: Draft | None, latest: UUID | None
) -> BulkLine:
    confidence = min((marker.confidence for marker in draft.markers.all()), default=None) if draft else None
    why_not = _why_not(member, proposal, options, draft, confidence, latest)
    return BulkLine(proposal, why_not, confidence, digest_of(proposal, proposal.markers.all()))


def _why_not(
    member: Membership,
    proposal: Proposal,
    options: ReviewOptions,
    draft: Draft | None,
    confidence: float | None,
    latest: UUID | None,
) -> str:
    """The first reason against; the house checks come last, since they read the facts."""
    answer = may_review(member, proposal)
    if isinstance(answer, Denied):
        return answer.sentence
    if options.bulk_confidence is None:
        return "Bulk approval is switched off."
    if draft is None or confidence is None:
        return "There is no draft of it."
    if plain(proposal.markers.all()) != plain(draft.markers.all()):
        return "Its markers are not the draft's."
    if confidence < options.bulk_confidence:
        return (
            f"The draft is {confidence:.0%} sure of its least sure marker, and {options.bulk_confidence:.0%} is asked."
        )
    if proposal.base_id != latest:
        return "A newer sheet was approved since."
    if any(remark.resolved_at is None for remark in proposal.remarks.all()):
        return "A remark on it is not settled."
    version = proposal.convention_version
    found = findings_of(member.crew, proposal.markers.all(), version, proposal.analysis.result)
    return f"A house check finds something. Slot {found[0].slot}: {found[0].sentence}" if found else ""


def _draft_key(proposal: Proposal) -> tuple[UUID, UUID]:
    return proposal.analysis_id, proposal.convention_version_id


def _drafts(proposals: Sequence[Proposal]) -> dict[tuple[UUID, UUID], Draft]:
    """The draft of each proposal's own analysis and convention version."""
    drafts = Draft.objects.filter(
        analysis__in=[proposal.analysis_id for proposal in proposals],
        convention_version__in=[proposal.convention_version_id for proposal in proposals],
    ).prefetch_related("markers")
    return {(draft.analysis_id, draft.convention_version_id): draft for draft in drafts}


def _latest(proposals: Sequence[Proposal]) -> dict[UUID, UUID]:
    """The latest sheet of each proposal's track."""
    versions = SheetVersion.objects.filter(track__in=[proposal.track_id for proposal in proposals]).order_by("number")
    return dict(versions.values_list("track_id", "pk"))
