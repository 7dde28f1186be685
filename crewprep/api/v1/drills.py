"""Drills: begin one, keep its markers, hand it in and see how it went. The sheet stays hidden until then."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.convention import MAX_SLOTS
from crewprep.api.base import CrewEndpoint, Pages, WholeNumber, listed, seen_revision, several
from crewprep.api.v1.people import person_field
from crewprep.api.v1.proposals import IF_MATCH, MAX_TIME_US, MarkerOut
from crewprep.onboarding.drills import begin_drill, drill_for, drills_of, drop_drill, hand_in, keep_drill
from crewprep.onboarding.models import Drill, DrillScore
from crewprep.onboarding.scoring import MISSES
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion


class DrillMarkerIn(serializers.Serializer[object]):
    """A marker set by ear; times are microseconds from the first sample of the canonical decode."""

    slot = WholeNumber(min_value=1, max_value=MAX_SLOTS)
    start_us = WholeNumber(min_value=0, max_value=MAX_TIME_US)
    end_us = WholeNumber(
        min_value=1, max_value=MAX_TIME_US, allow_null=True, default=None, help_text="null for a point."
    )


class DrillMarkersIn(serializers.Serializer[object]):
    """All markers of the drill; a slot that is left out is left empty."""

    markers = several(DrillMarkerIn, max_length=MAX_SLOTS)


class DrillMarkerOut(serializers.Serializer[object]):
    """A marker that the member set."""

    slot = serializers.IntegerField()
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True)


class DrillScoreOut(serializers.Serializer[DrillScore]):
    """How one slot was marked. Distances are positive for late, null where one of the two markers is not there."""

    slot = serializers.IntegerField()
    function = serializers.CharField()
    which = serializers.CharField()
    miss = serializers.ChoiceField(choices=MISSES)
    off_us = serializers.IntegerField(allow_null=True)
    off_beats = serializers.FloatField(allow_null=True)
    phrases = serializers.IntegerField(allow_null=True, help_text="Whole phrases late; negative for early.")
    other_slot = serializers.IntegerField(allow_null=True, help_text="The slot whose place was taken for this one.")
    length_off_beats = serializers.FloatField(allow_null=True, help_text="How much longer a loop is than the sheet's.")


class DrillSheetOut(serializers.Serializer[SheetVersion]):
    """The approved sheet that was hidden."""

    version = serializers.IntegerField(source="number")
    markers = several(MarkerOut, source="markers.all")


class DrillSummaryOut(serializers.Serializer[Drill]):
    """A drill in a list."""

    id = serializers.UUIDField()
    track = serializers.UUIDField(source="track_id")
    title = serializers.CharField(source="track.title")
    artist = serializers.CharField(source="track.artist")
    convention = serializers.UUIDField(source="sheet.convention_version_id", help_text="The version to mark it by.")
    begun_at = serializers.DateTimeField(source="created_at")
    handed_in_at = serializers.DateTimeField(allow_null=True)
    revision = serializers.IntegerField(help_text="Counts keepings; name it in If-Match.")
    scores = several(DrillScoreOut, source="scores.all", help_text="Empty until it is handed in.")


class DrillOut(DrillSummaryOut):
    """A drill with its markers and, once it is handed in, the sheet that was hidden."""

    member = person_field(source="membership.user")
    markers = several(DrillMarkerOut)
    sheet = serializers.SerializerMethodField()

    @extend_schema_field(DrillSheetOut(allow_null=True))
    def get_sheet(self, drill: Drill) -> Any:
        """Null until the drill is handed in."""
        return None if drill.handed_in_at is None else DrillSheetOut(drill.sheet).data


class DrillEndpoint(CrewEndpoint):
    """An endpoint of drills."""

    def answer(self, drill: Drill, *, status: int = 200) -> Response:
        """The drill, with its revision as entity tag."""
        return Response(DrillOut(drill).data, status=status, headers={"ETag": f'"{drill.revision}"'})

    def seen(self, request: Request, drill_id: UUID) -> tuple[Drill, int, list[MarkerInput]]:
        """A drill, the revision that the caller looked at, and the markers that they send."""
        drill = drill_for(self.member, drill_id)
        revision = seen_revision(request, current=drill.revision, code="drill:other-revision")
        return drill, revision, [MarkerInput(**one) for one in self.read(DrillMarkersIn, request)["markers"]]


class Drills(DrillEndpoint):
    """The member's own drills."""

    pagination_class = Pages

    @extend_schema(operation_id="list_drills", responses=DrillSummaryOut(many=True), tags=["practice"])
    def get(self, request: Request, crew: str) -> Response:
        """The newest first."""
        pages = Pages()
        shown = pages.paginate_queryset(drills_of(self.member), request, view=self)
        return pages.get_paginated_response(listed(DrillSummaryOut, shown))

    @extend_schema(operation_id="begin_drill", request=None, responses={201: DrillOut}, tags=["practice"])
    def post(self, request: Request, crew: str) -> Response:
        """Begin one, on a track whose markers you have neither set nor seen; the open one, where you have one."""
        return self.answer(begin_drill(member=self.member), status=201)


class OneDrill(DrillEndpoint):
    """One drill: one's own, or as a lead anybody's."""

    @extend_schema(operation_id="get_drill", responses=DrillOut, tags=["practice"])
    def get(self, request: Request, crew: str, drill_id: UUID) -> Response:
        """Its markers, and how it went once it is handed in."""
        return self.answer(drill_for(self.member, drill_id))

    @extend_schema(operation_id="drop_drill", responses={204: None}, tags=["practice"])
    def delete(self, request: Request, crew: str, drill_id: UUID) -> Response:
        """Give it up while it is open; its track may come again."""
        drop_drill(member=self.member, drill=drill_for(self.member, drill_id))
        return Response(status=204)


class MarkersOfDrill(DrillEndpoint):
    """The markers of an open drill."""

    @extend_schema(
        operation_id="keep_drill", parameters=[IF_MATCH], request=DrillMarkersIn, responses=DrillOut, tags=["practice"]
    )
    def put(self, request: Request, crew: str, drill_id: UUID) -> Response:
        """Keep them, to go on later."""
        drill, revision, markers = self.seen(request, drill_id)
        return self.answer(keep_drill(member=self.member, drill=drill, markers=markers, seen_revision=revision))


class HandIn(DrillEndpoint):
    """The end of a drill."""

    @extend_schema(
        operation_id="hand_in_drill", parameters=[IF_MATCH], request=DrillMarkersIn, responses=DrillOut,
        tags=["practice"],
    )  # fmt: skip
    def post(self, request: Request, crew: str, drill_id: UUID) -> Response:
        """Have the markers scored against the sheet, slot by slot."""
        drill, revision, markers = self.seen(request, drill_id)
        return self.answer(hand_in(member=self.member, drill=drill, markers=markers, seen_revision=revision))
