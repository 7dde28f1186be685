"""Proposals and verdicts. A change or a verdict names the revision that the caller looked at, in ``If-Match``."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import Model
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.convention import MAX_SLOTS
from crewprep.api.base import CrewEndpoint, Pages, WholeNumber, listed, seen_revision, several
from crewprep.api.v1.people import person_field
from crewprep.common.errors import Invalid
from crewprep.conventions.selectors import convention_version_for, current_version
from crewprep.onboarding.sights import keep_unseen, note_sight, see_markers
from crewprep.review.content import digest_of
from crewprep.review.models import Proposal, ProposalState, Remark, Reply
from crewprep.review.selectors import changes_of, merge_of, proposal_for, proposals_of
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    give_approval,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.sheets.checking import findings_of
from crewprep.sheets.house_checks import Finding
from crewprep.sheets.markers import Change, MarkerInput
from crewprep.tracks.selectors import track_for

MAX_TIME_US = 24 * 3600 * 1_000_000
IF_MATCH = OpenApiParameter(
    "If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER, required=False,
    description='The revision that you looked at, in quotes: `"1"`. Without it the answer is 428.',
)  # fmt: skip


class MarkerIn(serializers.Serializer[object]):
    """A marker; times are microseconds from the first sample of the canonical decode."""

    slot = WholeNumber(min_value=1, max_value=MAX_SLOTS)
    start_us = WholeNumber(min_value=0, max_value=MAX_TIME_US)
    end_us = WholeNumber(
        min_value=1, max_value=MAX_TIME_US, allow_null=True, default=None, help_text="null for a point."
    )
    label = serializers.CharField(  # type: ignore[assignment]  # the framework has a use of its own for the name
        max_length=60, allow_blank=True, default=""
    )


class MarkersIn(serializers.Serializer[object]):
    """All markers of the sheet; a slot that is left out is left empty."""

    markers = several(MarkerIn, min_length=1, max_length=MAX_SLOTS)
    note = serializers.CharField(max_length=500, allow_blank=True, allow_null=True, default=None)
    override_reason = serializers.CharField(
        max_length=300, allow_blank=True, default="", help_text="Why blockers of the house checks may stay."
    )


class ProposalIn(MarkersIn):
    """A sheet to put forward."""

    track = serializers.UUIDField()
    convention = serializers.UUIDField(
        allow_null=True, default=None, help_text="A published version; the crew's newest where it is left out."
    )


class NoteIn(serializers.Serializer[object]):
    """A word beside the verdict."""

    note = serializers.CharField(max_length=500, allow_blank=True, default="")


class RemarkIn(serializers.Serializer[object]):
    """Words on one slot: what should change, or what one would like to know."""

    slot = WholeNumber(min_value=1, max_value=MAX_SLOTS)
    text = serializers.CharField(max_length=500)


class HeardIn(NoteIn):
    """A word beside the verdict, and the slots that were listened to."""

    heard = serializers.ListField(
        child=WholeNumber(min_value=1, max_value=MAX_SLOTS), default=list, max_length=MAX_SLOTS
    )


class ApproveIn(HeardIn):
    """What exactly is approved."""

    digest = serializers.RegexField(
        r"^[0-9a-f]{64}$", help_text="The `digest` of the proposal that you looked at: markers, rules, grid and base."
    )


class ReturnIn(HeardIn):
    """Remarks or a note; one of the two is needed."""

    remarks = several(RemarkIn, default=list, max_length=100)


class ProposalQuery(serializers.Serializer[object]):
    """Which proposals to list."""

    state = serializers.ChoiceField(choices=ProposalState.choices, required=False)
    track = serializers.UUIDField(required=False)


class MarkerOut(serializers.Serializer[Model]):
    """A marker."""

    slot = serializers.IntegerField()
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True)
    label = serializers.CharField()  # type: ignore[assignment]  # as above


class ChangeOut(serializers.Serializer[Change]):
    """One slot, before and after."""

    slot = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=["kept", "moved", "relabelled", "added", "dropped"])
    moved_us = serializers.IntegerField(help_text="How much later the start is now.")
    old = MarkerOut(allow_null=True)
    new = MarkerOut(allow_null=True)


class FindingOut(serializers.Serializer[Finding]):
    """What a house check found at a slot."""

    check = serializers.CharField()
    severity = serializers.ChoiceField(choices=["blocker", "warning", "note"])
    slot = serializers.IntegerField()
    sentence = serializers.CharField()


class ReplyOut(serializers.Serializer[Reply]):
    """What a member said to a remark."""

    text = serializers.CharField()
    by = person_field()
    at = serializers.DateTimeField(source="created_at")


class RemarkOut(serializers.Serializer[Remark]):
    """A member's words on one slot at one revision, what was said to them, and whether they are settled."""

    id = serializers.UUIDField()
    slot = serializers.IntegerField()
    revision = serializers.IntegerField()
    text = serializers.CharField()
    by = person_field()
    at = serializers.DateTimeField(source="created_at")
    replies = several(ReplyOut, source="replies.all")
    resolved_by = person_field(allow_null=True)
    resolved_at = serializers.DateTimeField(allow_null=True)


class ProposalSummaryOut(serializers.Serializer[Proposal]):
    """A proposal in a list."""

    id = serializers.UUIDField()
    track = serializers.UUIDField(source="track_id")
    title = serializers.CharField(source="track.title")
    artist = serializers.CharField(source="track.artist")
    state = serializers.ChoiceField(choices=ProposalState.choices)
    revision = serializers.IntegerField(help_text="Counts changes of the markers; name it in If-Match.")
    note = serializers.CharField()
    proposed_by = person_field()
    proposed_at = serializers.DateTimeField(source="created_at")
    changed_by = person_field()
    changed_at = serializers.DateTimeField()
    asked = person_field(allow_null=True)
    first_approved_by = person_field(allow_null=True)


class ProposalOut(ProposalSummaryOut):
    """A proposal with its markers, what they change, and the verdict."""

    convention = serializers.UUIDField(source="convention_version_id")
    digest = serializers.SerializerMethodField(help_text="Of all that a verdict is about; name it to approve.")
    base_version = serializers.SerializerMethodField()
    newer_sheet = serializers.SerializerMethodField()
    sheet_version = serializers.SerializerMethodField()
    markers = several(MarkerOut, source="markers.all")
    changes = serializers.SerializerMethodField()
    remarks = several(RemarkOut, source="remarks.all")
    findings = serializers.SerializerMethodField()
    override_reason = serializers.CharField()
    reviewed_by = person_field(allow_null=True)
    reviewed_at = serializers.DateTimeField(allow_null=True)
    verdict_note = serializers.CharField()

    @extend_schema_field(FindingOut(many=True))
    def get_findings(self, proposal: Proposal) -> list[Any]:
        """What the house checks find, the most severe first."""
        return listed(
            FindingOut,
            findings_of(proposal.crew, proposal.markers.all(), proposal.convention_version, proposal.analysis.result),
        )

    def get_digest(self, proposal: Proposal) -> str:
        """SHA-256 of the content as canonical JSON."""
        return digest_of(proposal, proposal.markers.all())

    def get_newer_sheet(self, proposal: Proposal) -> int | None:
        """A sheet that was approved since a pending proposal began: merge it first."""
        merge = merge_of(proposal)
        return merge.sheet.number if merge else None

    def get_base_version(self, proposal: Proposal) -> int | None:
        """The approved sheet that it changes; null for a track's first."""
        return proposal.base.number if proposal.base else None

    def get_sheet_version(self, proposal: Proposal) -> int | None:
        """The sheet that it became."""
        return proposal.sheet.number if proposal.sheet else None

    @extend_schema_field(ChangeOut(many=True))
    def get_changes(self, proposal: Proposal) -> list[Any]:
        """By slot, against the approved sheet or the draft."""
        return listed(ChangeOut, changes_of(proposal))


class ProposalEndpoint(CrewEndpoint):
    """An endpoint of one proposal."""

    def asked(self, proposal_id: UUID) -> Proposal:
        """A proposal to do something with; raises ``NotFound``, and ``Refused`` while the caller still has to mark its
        track unseen, since the answer shows its markers."""
        proposal = proposal_for(self.member, proposal_id)
        keep_unseen(self.member, proposal.track_id)
        return proposal

    def answer(self, proposal_id: UUID, *, status: int = 200, reading: bool = False) -> Response:
        """The proposal as it stands now, with its revision as entity tag."""
        proposal = proposal_for(self.member, proposal_id)
        if reading:
            see_markers(self.member, proposal.track_id)
        else:
            note_sight(self.member, [proposal.track_id])
        return Response(ProposalOut(proposal).data, status=status, headers={"ETag": f'"{proposal.revision}"'})


class Proposals(ProposalEndpoint):
    """The crew's proposals."""

    pagination_class = Pages

    @extend_schema(
        operation_id="list_proposals", parameters=[ProposalQuery], responses=ProposalSummaryOut(many=True),
        tags=["proposals"],
    )  # fmt: skip
    def get(self, request: Request, crew: str) -> Response:
        """Proposals, oldest first; `?state=open` is the queue."""
        wanted = self.read_query(ProposalQuery, request)
        proposals = proposals_of(self.member)
        if "track" in wanted:
            proposals = proposals.filter(track=track_for(self.member, wanted["track"]))
        if "state" in wanted:
            proposals = proposals.filter(state=wanted["state"])
        pages = Pages()
        shown = pages.paginate_queryset(proposals, request, view=self)
        return pages.get_paginated_response(listed(ProposalSummaryOut, shown))

    @extend_schema(operation_id="propose", request=ProposalIn, responses={201: ProposalOut}, tags=["proposals"])
    def post(self, request: Request, crew: str) -> Response:
        """Put a sheet forward for review."""
        given = self.read(ProposalIn, request)
        track, named = track_for(self.member, given["track"]), given["convention"]
        version = current_version(self.member) if named is None else convention_version_for(self.member, named)
        if version is None:
            raise Invalid("convention:none")
        proposal = propose(
            member=self.member, track=track, convention_version=version, markers=_markers(given),
            note=given["note"] or "", override_reason=given["override_reason"],
        )  # fmt: skip
        return self.answer(proposal.pk, status=201)


class OneProposal(ProposalEndpoint):
    """One proposal."""

    @extend_schema(operation_id="get_proposal", responses=ProposalOut, tags=["proposals"])
    def get(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Old and new by slot, remarks, and the verdict."""
        return self.answer(proposal, reading=True)


class Markers(ProposalEndpoint):
    """The markers of a proposal."""

    @extend_schema(
        operation_id="amend_proposal", parameters=[IF_MATCH], request=MarkersIn, responses=ProposalOut,
        tags=["proposals"],
    )  # fmt: skip
    def put(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Replace the markers; it is open again, and you are one of its authors."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        given = self.read(MarkersIn, request)
        amend_proposal(
            member=self.member, proposal=found, markers=_markers(given), seen_revision=revision, note=given["note"],
            override_reason=given["override_reason"],
        )  # fmt: skip
        return self.answer(proposal)


class Approve(ProposalEndpoint):
    """The verdict: approved."""

    @extend_schema(
        operation_id="approve_proposal", parameters=[IF_MATCH], request=ApproveIn, responses=ProposalOut,
        tags=["proposals"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Make it the track's sheet (leads and residents, never one's own); where two must approve, be one of them."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        given = self.read(ApproveIn, request)
        give_approval(
            member=self.member, proposal=found, seen_revision=revision, note=given["note"], heard=given["heard"],
            seen_digest=given["digest"],
        )  # fmt: skip
        return self.answer(proposal)


class Return(ProposalEndpoint):
    """The verdict: returned."""

    @extend_schema(
        operation_id="return_proposal", parameters=[IF_MATCH], request=ReturnIn, responses=ProposalOut,
        tags=["proposals"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Send it back with what should change (leads and residents, never one's own)."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        given = self.read(ReturnIn, request)
        remarks = [RemarkInput(**remark) for remark in given["remarks"]]
        return_proposal(
            member=self.member, proposal=found, seen_revision=revision, note=given["note"], remarks=remarks,
            heard=given["heard"],
        )  # fmt: skip
        return self.answer(proposal)


class Withdraw(ProposalEndpoint):
    """Taking a proposal back."""

    @extend_schema(
        operation_id="withdraw_proposal", parameters=[IF_MATCH], request=None, responses=ProposalOut,
        tags=["proposals"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, proposal: UUID) -> Response:
        """Take it back (its authors and the leads)."""
        found = self.asked(proposal)
        revision = seen_revision(request, current=found.revision)
        withdraw_proposal(member=self.member, proposal=found, seen_revision=revision)
        return self.answer(proposal)


def _markers(given: dict[str, Any]) -> list[MarkerInput]:
    return [MarkerInput(**marker) for marker in given["markers"]]
