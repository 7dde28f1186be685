"""How members do in drills, the bar, and a lead's word on a newcomer."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, WholeNumber, listed, several
from crewprep.api.v1.people import person_field
from crewprep.api.v1.sheets import CsvRenderer
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.crews.selectors import membership_for
from crewprep.onboarding.figures import Pooled, Share
from crewprep.onboarding.models import SignOff, SignOffEnd
from crewprep.onboarding.progress import (
    DrillProgress,
    MissCount,
    Progress,
    SlotProgress,
    WeekProgress,
    practiser_for,
    progress_for,
)  # fmt: skip
from crewprep.onboarding.rules import may_sign_off
from crewprep.onboarding.scores_csv import scores_file
from crewprep.onboarding.scoring import MISSES
from crewprep.onboarding.signing import (
    MOST_DRILLS,
    MOST_NOTE,
    Bar,
    NewcomerLine,
    Readiness,
    ask_for_more,
    bar_of,
    newcomer_lines,
    readiness_of,
    set_bar,
    sign_off,
    words_on,
)  # fmt: skip


class SureShareOut(serializers.Serializer[Share | Pooled]):
    """So many of so many; `low` and `high` (0 to 1) are what the true share could be, 95 % sure."""

    successes = serializers.IntegerField()
    trials = serializers.IntegerField()
    value = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(source="interval.low")
    high = serializers.FloatField(source="interval.high")


class WithinOut(serializers.Serializer[object]):
    """Of the slots that the sheet has, those that were marked within a quarter of a beat, a beat, a bar, a phrase."""

    quarter = SureShareOut()
    beat = SureShareOut()
    bar = SureShareOut()
    phrase = SureShareOut()


class MissCountOut(serializers.Serializer[MissCount]):
    """A way of missing a slot, and how often; `phrases` late (negative: early) and the `other` function, most often."""

    miss = serializers.ChoiceField(choices=[miss for miss in MISSES if miss != "exact"])
    times = serializers.IntegerField()
    phrases = serializers.IntegerField(allow_null=True)
    other = serializers.CharField(allow_null=True)


class SlotProgressOut(serializers.Serializer[SlotProgress]):
    """How a slot was marked over all drills; `slot` is its number in the current version, null where it has none."""

    function = serializers.CharField()
    which = serializers.CharField()
    name = serializers.CharField()
    slot = serializers.IntegerField(source="slot.number", allow_null=True, default=None)
    within = WithinOut()
    extra = serializers.IntegerField(help_text="Markers where the sheet has none.")
    misses = several(MissCountOut, help_text="The most usual first.")


class DrillProgressOut(serializers.Serializer[DrillProgress]):
    """A drill that was handed in; `half_second` and `quarter_beat` are its boundary F at these windows, 0 to 1."""

    drill = serializers.UUIDField(source="drill_id")
    handed_in_at = serializers.DateTimeField()
    title = serializers.CharField()
    within = WithinOut()
    extra = serializers.IntegerField()
    half_second = serializers.FloatField()
    quarter_beat = serializers.FloatField()


class WeekProgressOut(serializers.Serializer[WeekProgress]):
    """The drills of a week, from its Monday on."""

    monday = serializers.DateField()
    drills = serializers.IntegerField()
    within = WithinOut()
    extra = serializers.IntegerField()


class TakenOut(serializers.Serializer[object]):
    """How often a function was set where the sheet means another; `nothing` for none."""

    meant = serializers.CharField()
    was_set = serializers.CharField()
    times = serializers.IntegerField()


class BarOut(serializers.Serializer[Bar]):
    """What newcomers must show: so many drills, and of the slots in the latest so many at least this share (0 to 1)
    within a beat, at the lower end of its interval."""

    least_drills = serializers.IntegerField(min_value=1, max_value=MOST_DRILLS)
    least_share = serializers.FloatField(min_value=0, max_value=1)


class BarIn(BarOut):
    """The bar, set anew."""

    least_drills = WholeNumber(min_value=1, max_value=MOST_DRILLS)


class ReadinessOut(serializers.Serializer[Readiness]):
    """How a member stands against the bar; `reasons` say what is missing."""

    ready = serializers.BooleanField()
    drills = serializers.IntegerField()
    share = SureShareOut(help_text="Within a beat, in the latest drills.")
    reasons = serializers.ListField(child=serializers.CharField())


class SignOffOut(serializers.Serializer[SignOff]):
    """What a lead said, with the drills that they saw."""

    end = serializers.ChoiceField(choices=SignOffEnd.choices)
    by = person_field()
    at = serializers.DateTimeField(source="created_at")
    note = serializers.CharField()
    drills = serializers.IntegerField(source="figures.drills")
    was_ready = serializers.BooleanField(source="figures.ready")


class MemberProgressOut(serializers.Serializer[Progress]):
    """All that a member's drills show; drills and weeks from the oldest on."""

    member = serializers.UUIDField(source="other.pk")
    person = person_field(source="other.user")
    readiness = serializers.SerializerMethodField()
    bar = serializers.SerializerMethodField()
    within = WithinOut()
    extra = serializers.IntegerField()
    half_second = serializers.FloatField(allow_null=True, help_text="The mean of all drills.")
    quarter_beat = serializers.FloatField(allow_null=True, help_text="The mean of all drills.")
    drills = several(DrillProgressOut)
    weeks = several(WeekProgressOut)
    slots = several(SlotProgressOut)
    taken_for = serializers.SerializerMethodField()
    said = serializers.SerializerMethodField()

    @extend_schema_field(ReadinessOut)
    def get_readiness(self, progress: Progress) -> dict[str, Any]:
        """How they stand against the bar."""
        return dict(ReadinessOut(readiness_of(progress, self.context["bar"])).data)

    @extend_schema_field(BarOut)
    def get_bar(self, progress: Progress) -> dict[str, Any]:
        """The crew's bar."""
        return dict(BarOut(self.context["bar"]).data)

    @extend_schema_field(TakenOut(many=True))
    def get_taken_for(self, progress: Progress) -> list[dict[str, Any]]:
        """The confusion of functions, without its empty cells."""
        counts = sorted(progress.confusion.counts.items())
        return [{"meant": meant, "was_set": was_set, "times": times} for (meant, was_set), times in counts]

    @extend_schema_field(SignOffOut(many=True))
    def get_said(self, progress: Progress) -> list[dict[str, Any]]:
        """What leads have said, newest first."""
        return listed(SignOffOut, words_on(progress.other))


class NewcomerOut(serializers.Serializer[NewcomerLine]):
    """A newcomer and how they stand."""

    member = serializers.UUIDField(source="member.pk")
    person = person_field(source="member.user")
    readiness = ReadinessOut()


class SignOffIn(serializers.Serializer[object]):
    """A lead's word; `seen_drills` is how many drills were handed in when they looked."""

    note = serializers.CharField(max_length=MOST_NOTE, allow_blank=True, default="")
    seen_drills = WholeNumber(min_value=0)


class OneProgress(CrewEndpoint):
    """A member's progress."""

    @extend_schema(operation_id="get_progress", responses=MemberProgressOut, tags=["practice"])
    def get(self, request: Request, crew: str, member_id: UUID) -> Response:
        """What a member's drills show: one's own, and every member's for leads."""
        progress = progress_for(self.member, member_id)
        return Response(MemberProgressOut(progress, context={"bar": bar_of(self.member.crew)}).data)


class ScoresCsv(CrewEndpoint):
    """A member's scores as a table."""

    renderer_classes = [CsvRenderer]

    @extend_schema(
        operation_id="get_scores_csv", tags=["practice"], responses={(200, "text/csv"): OpenApiTypes.STR}
    )  # fmt: skip
    def get(self, request: Request, crew: str, member_id: UUID) -> HttpResponse:
        """Every score as CSV (RFC 4180), safe to open in a spreadsheet."""
        return HttpResponse(
            scores_file(practiser_for(self.member, member_id)),
            content_type="text/csv; charset=utf-8",
            headers={"Content-Disposition": 'attachment; filename="drill-scores.csv"'},
        )


class Newcomers(CrewEndpoint):
    """The crew's newcomers (leads)."""

    @extend_schema(operation_id="list_newcomers", responses=NewcomerOut(many=True), tags=["practice"])
    def get(self, request: Request, crew: str) -> Response:
        """Every newcomer and how they stand against the bar (leads)."""
        may_lead(self.member).require()
        return Response(listed(NewcomerOut, newcomer_lines(self.member)))


class SignOffBars(CrewEndpoint):
    """What newcomers must show."""

    @extend_schema(operation_id="get_sign_off_bar", responses=BarOut, tags=["practice"])
    def get(self, request: Request, crew: str) -> Response:
        """The bar before a sign-off."""
        return Response(BarOut(bar_of(self.member.crew)).data)

    @extend_schema(operation_id="set_sign_off_bar", request=BarIn, responses=BarOut, tags=["practice"])
    def put(self, request: Request, crew: str) -> Response:
        """Set the bar (leads)."""
        may_lead(self.member).require()
        return Response(BarOut(set_bar(member=self.member, **self.read(BarIn, request))).data)


class SignOffs(CrewEndpoint):
    """Signing a newcomer off."""

    @extend_schema(operation_id="sign_off", request=SignOffIn, responses={201: SignOffOut}, tags=["practice"])
    def post(self, request: Request, crew: str, member_id: UUID) -> Response:
        """Make a newcomer a resident (leads); below the bar with a note that says why."""
        other = self.of(member_id)
        return Response(
            SignOffOut(sign_off(member=self.member, other=other, **self.read(SignOffIn, request))).data, 201
        )

    def of(self, member_id: UUID) -> Membership:
        """The newcomer, for whoever may give their word."""
        other = membership_for(self.member, member_id)
        may_sign_off(self.member, other).require()
        return other


class AskForMore(SignOffs):
    """Asking for more practice."""

    @extend_schema(operation_id="ask_for_more", request=SignOffIn, responses={201: SignOffOut}, tags=["practice"])
    def post(self, request: Request, crew: str, member_id: UUID) -> Response:
        """Ask a newcomer for more practice (leads); the note says of what."""
        other = self.of(member_id)
        said = ask_for_more(member=self.member, other=other, **self.read(SignOffIn, request))
        return Response(SignOffOut(said).data, 201)
