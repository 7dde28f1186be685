"""What a review needs beside the verdict: merging, opening again, whom it is put to, threads, the crew's options."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.convention import MAX_SLOTS
from crewprep.api.base import CrewEndpoint, WholeNumber, listed, seen_revision, several
from crewprep.api.v1.proposals import IF_MATCH, MarkerOut, ProposalEndpoint, ProposalOut, RemarkIn
from crewprep.common.errors import DomainError, NotFound
from crewprep.crews.selectors import members_of
from crewprep.onboarding.sights import see_markers
from crewprep.review.again import merge_proposal, reopen_proposal
from crewprep.review.asking import ask_reviewer
from crewprep.review.bulk import AT_ONCE, BulkLine, Outcome, Pick, approve_in_bulk, bulk_lines
from crewprep.review.merging import SlotMerge
from crewprep.review.models import ReviewOptions
from crewprep.review.options import options_of, set_options
from crewprep.review.selectors import StaleBase, merge_of, proposal_for, remark_for
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark


class SlotMergeOut(serializers.Serializer[SlotMerge]):
    """One slot on three sides; a `conflict` was changed by both and waits for a choice."""

    slot = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=["same", "both", "theirs", "yours", "conflict"])
    base = MarkerOut(allow_null=True, help_text="Where both began.")
    theirs = MarkerOut(allow_null=True, help_text="The newer sheet.")
    yours = MarkerOut(allow_null=True, help_text="The proposal.")


class StaleBaseOut(serializers.Serializer[StaleBase]):
    """The sheet that overtook the proposal's base."""

    sheet_version = serializers.IntegerField(source="sheet.number")
    convention = serializers.UUIDField(
        source="version.pk", help_text="The version that the merged proposal follows, and whose slots these are."
    )
    slots = several(SlotMergeOut)


class MergeOut(serializers.Serializer[object]):
    """What there is to merge; null where the proposal starts from the track's latest sheet."""

    stale = StaleBaseOut(allow_null=True)


class ChoiceIn(serializers.Serializer[object]):
    """Which side a slot takes."""

    slot = WholeNumber(min_value=1, max_value=MAX_SLOTS)
    take = serializers.ChoiceField(choices=["theirs", "yours"])


class MergeIn(serializers.Serializer[object]):
    """The newer sheet that was seen, and a choice for each conflict."""

    sheet_version = WholeNumber(min_value=1, max_value=2**31 - 1)
    choices = several(ChoiceIn, default=list, max_length=MAX_SLOTS)
    override_reason = serializers.CharField(max_length=300, allow_blank=True, default="")


class ReopenIn(serializers.Serializer[object]):
    """Why blockers of the house checks may stay; as before where it is left out."""

    override_reason = serializers.CharField(max_length=300, allow_blank=True, allow_null=True, default=None)


class ReviewerIn(serializers.Serializer[object]):
    """Whom the review is put to, and who was seen to be asked."""

    reviewer = serializers.CharField(max_length=150, help_text="A sign-in name.")
    instead_of = serializers.CharField(
        max_length=150, allow_null=True, default=None, help_text="Who is asked now, by sign-in name; null for nobody."
    )


class ReplyIn(serializers.Serializer[object]):
    """Something said to a remark."""

    text = serializers.CharField(max_length=500)


class SettledIn(serializers.Serializer[object]):
    """Whether the remark is settled."""

    resolved = serializers.BooleanField()


class ReviewOptionsOut(serializers.Serializer[ReviewOptions]):
    """How the crew reviews."""

    two_reviewers = serializers.BooleanField(help_text="Two members must approve each sheet.")
    bulk_confidence = serializers.FloatField(
        allow_null=True, min_value=0, max_value=1, help_text="From which confidence drafts may be approved in bulk."
    )


class BulkLineOut(serializers.Serializer[BulkLine]):
    """An open proposal, and why it may not be approved in bulk (empty where it may)."""

    proposal = serializers.UUIDField(source="proposal.pk")
    title = serializers.CharField(source="proposal.track.title")
    revision = serializers.IntegerField(source="proposal.revision")
    digest = serializers.CharField()
    confidence = serializers.FloatField(allow_null=True, help_text="Of the draft's least sure marker.")
    why_not = serializers.CharField()


class PickIn(serializers.Serializer[object]):
    """A proposal to approve, as it was seen."""

    proposal = serializers.UUIDField()
    revision = WholeNumber(min_value=1, max_value=2**31 - 1)
    digest = serializers.RegexField(r"^[0-9a-f]{64}$")


class PicksIn(serializers.Serializer[object]):
    """Proposals to approve, each by itself."""

    picks = several(PickIn, min_length=1, max_length=AT_ONCE)
    note = serializers.CharField(max_length=500, allow_blank=True, default="")


class RefusalOut(serializers.Serializer[DomainError]):
    """Why one was not approved."""

    code = serializers.CharField()
    sentence = serializers.CharField()


class OutcomeOut(serializers.Serializer[Outcome]):
    """What came of a pick; without a refusal and without a sheet it was the first of two approvals."""

    proposal = serializers.UUIDField(source="pick.proposal")
    sheet_version = serializers.SerializerMethodField()
    refused = RefusalOut(allow_null=True)

    @extend_schema_field(serializers.IntegerField(allow_null=True))
    def get_sheet_version(self, outcome: Outcome) -> int | None:
        """The sheet that it became."""
        return outcome.sheet.number if outcome.sheet else None


class Merge(ProposalEndpoint):
    """A proposal and a sheet that was approved since."""

    @extend_schema(operation_id="get_merge", responses=MergeOut, tags=["proposals"])
    def get(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Both sides slot by slot."""
        found = proposal_for(self.member, proposal)
        see_markers(self.member, found.track_id)
        return Response(MergeOut({"stale": merge_of(found)}).data)

    @extend_schema(
        operation_id="merge_proposal", parameters=[IF_MATCH], request=MergeIn, responses=ProposalOut, tags=["proposals"]
    )
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Put it onto the newer sheet; it is open again, and you are one of its authors."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        given = self.read(MergeIn, request)
        merge_proposal(
            member=self.member, proposal=found, seen_revision=revision, seen_sheet=given["sheet_version"],
            choices={one["slot"]: one["take"] for one in given["choices"]}, override_reason=given["override_reason"],
        )  # fmt: skip
        return self.answer(proposal)


class Reopen(ProposalEndpoint):
    """Opening a withdrawn proposal again."""

    @extend_schema(
        operation_id="reopen_proposal", parameters=[IF_MATCH], request=ReopenIn, responses=ProposalOut,
        tags=["proposals"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Put it back into the queue as its next revision (its authors)."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        reason = self.read(ReopenIn, request)["override_reason"]
        reopen_proposal(member=self.member, proposal=found, seen_revision=revision, override_reason=reason)
        return self.answer(proposal)


class Reviewer(ProposalEndpoint):
    """Whom the review is put to."""

    @extend_schema(operation_id="ask_reviewer", request=ReviewerIn, responses=ProposalOut, tags=["proposals"])
    def put(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Put it to another member (its authors, its reviewers, and leads); others who may review it still may."""
        found = self.asked(proposal)
        given = self.read(ReviewerIn, request)
        people = {one.user.username: one for one in members_of(self.member)}
        if given["reviewer"] not in people:
            raise NotFound
        before = people.get(given["instead_of"])
        seen = None if given["instead_of"] is None else before.user_id if before else 0
        ask_reviewer(member=self.member, proposal=found, reviewer=people[given["reviewer"]], seen_asked=seen)
        return self.answer(proposal)


class Remarks(ProposalEndpoint):
    """Remarks without a verdict."""

    @extend_schema(
        operation_id="begin_remark", parameters=[IF_MATCH], request=RemarkIn, responses={201: ProposalOut},
        tags=["proposals"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Say something about a slot of an open or returned proposal (any member); its state stays as it is."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        begin_remark(member=self.member, proposal=found, seen_revision=revision, **self.read(RemarkIn, request))
        return self.answer(proposal, status=201)


class Replies(ProposalEndpoint):
    """What is said to a remark."""

    @extend_schema(operation_id="reply_to_remark", request=ReplyIn, responses={201: ProposalOut}, tags=["proposals"])
    def post(self, request: Request, crew: str, proposal: UUID, remark: UUID) -> Response:
        """Say something to it (any member)."""
        found = remark_for(self.member, self.asked(proposal), remark)
        reply_to_remark(member=self.member, remark=found, text=self.read(ReplyIn, request)["text"])
        return self.answer(proposal, status=201)


class Settled(ProposalEndpoint):
    """Whether a remark is settled."""

    @extend_schema(operation_id="settle_remark", request=SettledIn, responses=ProposalOut, tags=["proposals"])
    def put(self, request: Request, crew: str, proposal: UUID, remark: UUID) -> Response:
        """Settle it or open it again (whoever wrote it, the proposal's authors, and leads)."""
        found = remark_for(self.member, self.asked(proposal), remark)
        settle_remark(member=self.member, remark=found, resolved=self.read(SettledIn, request)["resolved"])
        return self.answer(proposal)


class Options(CrewEndpoint):
    """How the crew reviews."""

    @extend_schema(operation_id="get_review_options", responses=ReviewOptionsOut, tags=["review"])
    def get(self, request: Request, crew: str) -> Response:
        """Two reviewers or one, and from which confidence drafts may be approved in bulk."""
        return Response(ReviewOptionsOut(options_of(self.member.crew)).data)

    @extend_schema(
        operation_id="set_review_options", request=ReviewOptionsOut, responses=ReviewOptionsOut, tags=["review"]
    )
    def put(self, request: Request, crew: str) -> Response:
        """Say how the crew reviews from now on (leads)."""
        return Response(ReviewOptionsOut(set_options(member=self.member, **self.read(ReviewOptionsOut, request))).data)


class Bulk(CrewEndpoint):
    """Approving in bulk."""

    @extend_schema(operation_id="list_bulk", responses=BulkLineOut(many=True), tags=["review"])
    def get(self, request: Request, crew: str) -> Response:
        """The oldest open proposals, and why those that may not be approved in bulk may not."""
        return Response(listed(BulkLineOut, bulk_lines(self.member)))

    @extend_schema(operation_id="approve_in_bulk", request=PicksIn, responses=OutcomeOut(many=True), tags=["review"])
    def post(self, request: Request, crew: str) -> Response:
        """Approve each in your name, as it was seen; one that is refused stops none of the others."""
        given: dict[str, Any] = self.read(PicksIn, request)
        picks = [Pick(**one) for one in given["picks"]]
        return Response(listed(OutcomeOut, approve_in_bulk(member=self.member, picks=picks, note=given["note"])))
