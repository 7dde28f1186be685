"""The draft of the next version: write it, see what it would do, publish it; each step names its revision."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, seen_revision, several
from crewprep.api.v1.conventions import ConventionDocument, ConventionOut, SlotChangeOut
from crewprep.api.v1.people import person_field
from crewprep.api.v1.proposals import IF_MATCH
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionDraft
from crewprep.conventions.selectors import convention_draft_for, draft_of, newest_of_name
from crewprep.conventions.services import drop_draft, name_of, renew_draft, save_draft, slots_from
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.sheets.affected import Effect, ReasonCount, Touched
from crewprep.sheets.effect import REASON_KINDS, Reason
from crewprep.sheets.publishing import effect_of_draft, publish


class DraftConventionOut(serializers.Serializer[ConventionDraft]):
    """The draft; its document may still be unfinished where it was written on a page."""

    revision = serializers.IntegerField()
    begun_from = serializers.UUIDField(source="begun_from_id", allow_null=True)
    changed_by = person_field()
    changed_at = serializers.DateTimeField()
    document = serializers.JSONField()


class RecheckReasonOut(serializers.Serializer[Reason]):
    """Why a sheet needs a look."""

    kind = serializers.ChoiceField(choices=REASON_KINDS)
    slot = serializers.IntegerField(help_text="The number under the new rules; of a retired slot the old one.")
    sentence = serializers.CharField()


class ReasonCountOut(serializers.Serializer[ReasonCount]):
    """How many sheets have a reason at a slot."""

    kind = serializers.ChoiceField(choices=REASON_KINDS)
    slot = serializers.IntegerField()
    sheets = serializers.IntegerField()


class TouchedOut(serializers.Serializer[Touched]):
    """A track's approved sheet whose meaning would change."""

    track = serializers.UUIDField(source="sheet.track_id")
    title = serializers.CharField(source="sheet.track.title")
    sheet_version = serializers.IntegerField(source="sheet.number")
    reasons = several(RecheckReasonOut)


class EffectOut(serializers.Serializer[Effect]):
    """What rules would do to approved sheets."""

    kept = serializers.IntegerField(help_text="Sheets that keep their meaning.")
    counts = several(ReasonCountOut)
    touched = several(TouchedOut)


class DraftEffectOut(serializers.Serializer[object]):
    """What differs from the version that it would follow, and what that would do."""

    revision = serializers.IntegerField()
    changes = several(SlotChangeOut)
    effect = serializers.SerializerMethodField()

    @extend_schema_field(EffectOut)
    def get_effect(self, given: dict[str, Any]) -> dict[str, Any]:
        """The sheets."""
        return dict(EffectOut(given["effect"]).data)


class DraftOfConvention(CrewEndpoint):
    """What the crew's leads are writing."""

    @extend_schema(operation_id="get_convention_draft", responses=DraftConventionOut, tags=["conventions"])
    def get(self, request: Request, crew: str) -> Response:
        """The draft (leads)."""
        may_lead(self.member).require()
        return _answer(convention_draft_for(self.member))

    @extend_schema(
        operation_id="save_convention_draft", parameters=[IF_MATCH], request=ConventionDocument,
        responses=DraftConventionOut, tags=["conventions"],
    )  # fmt: skip
    def put(self, request: Request, crew: str) -> Response:
        """Save the draft, or begin one, for which no revision is named (leads)."""
        may_lead(self.member).require()
        draft = draft_of(self.member)
        seen = seen_revision(request, current=draft.revision, code="convention:other-revision") if draft else 0
        document = self.read(ConventionDocument, request)
        slots_from(document)
        return _answer(save_draft(member=self.member, document=document, seen_revision=seen))

    @extend_schema(
        operation_id="drop_convention_draft", parameters=[IF_MATCH], responses={204: None}, tags=["conventions"]
    )
    def delete(self, request: Request, crew: str) -> Response:
        """Throw the draft away (leads)."""
        draft, seen = _seen(self.member, request)
        drop_draft(member=self.member, draft=draft, seen_revision=seen)
        return Response(status=204)


class EffectOfDraft(CrewEndpoint):
    """What publishing would do."""

    @extend_schema(operation_id="get_convention_draft_effect", responses=DraftEffectOut, tags=["conventions"])
    def get(self, request: Request, crew: str) -> Response:
        """The slots that differ, and each approved sheet that would need a look with its reasons (leads)."""
        may_lead(self.member).require()
        draft = convention_draft_for(self.member)
        slots = slots_from(draft.document)
        before = newest_of_name(self.member, name_of(draft.document))
        changes = compare_slots(before.slots.all() if before else [], slots).changes
        given = {
            "revision": draft.revision,
            "changes": [change for change in changes if change.kinds],
            "effect": effect_of_draft(draft),
        }
        return Response(DraftEffectOut(given).data)


class RenewDraft(CrewEndpoint):
    """Going on after another version came between."""

    @extend_schema(
        operation_id="renew_convention_draft", parameters=[IF_MATCH], request=None, responses=DraftConventionOut,
        tags=["conventions"],
    )  # fmt: skip
    def post(self, request: Request, crew: str) -> Response:
        """Say that the draft has been compared with the version published since it was begun (leads)."""
        draft, seen = _seen(self.member, request)
        return _answer(renew_draft(member=self.member, draft=draft, seen_revision=seen))


class PublishDraft(CrewEndpoint):
    """Publishing."""

    @extend_schema(
        operation_id="publish_convention_draft", parameters=[IF_MATCH], request=None, responses={201: ConventionOut},
        tags=["conventions"],
    )  # fmt: skip
    def post(self, request: Request, crew: str) -> Response:
        """Publish the draft as the next version and open its re-check list (leads)."""
        draft, seen = _seen(self.member, request)
        return Response(ConventionOut(publish(member=self.member, draft=draft, seen_revision=seen)).data, status=201)


def _seen(member: Membership, request: Request) -> tuple[ConventionDraft, int]:
    """The draft and the revision that the caller looked at."""
    may_lead(member).require()
    draft = convention_draft_for(member)
    return draft, seen_revision(request, current=draft.revision, code="convention:other-revision")


def _answer(draft: ConventionDraft) -> Response:
    return Response(DraftConventionOut(draft).data, headers={"ETag": f'"{draft.revision}"'})
