"""Re-check lists: the sheets that a convention version touches, until each has been looked at."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, Pages, listed, several
from crewprep.api.v1.convention_drafts import RecheckReasonOut
from crewprep.api.v1.people import person_field
from crewprep.conventions.selectors import convention_version_for
from crewprep.sheets.models import Recheck, RecheckEnd
from crewprep.sheets.rechecks import recheck_for, rechecks_of, still_right


class RecheckQuery(serializers.Serializer[object]):
    """Which lines to list."""

    open = serializers.BooleanField(required=False, allow_null=True, default=None)


class RecheckOut(serializers.Serializer[Recheck]):
    """A sheet on a list. ``ended`` is empty while it is open."""

    id = serializers.UUIDField()
    track = serializers.UUIDField(source="track_id")
    title = serializers.CharField(source="track.title")
    sheet_version = serializers.IntegerField(source="sheet.number")
    convention = serializers.UUIDField(source="convention_version_id")
    reasons = several(RecheckReasonOut)
    ended = serializers.ChoiceField(choices=RecheckEnd.choices, allow_blank=True)
    closed_by = person_field(allow_null=True)
    closed_at = serializers.DateTimeField(allow_null=True)
    note = serializers.CharField()


class StillRightIn(serializers.Serializer[object]):
    """Why nothing needs to change."""

    note = serializers.CharField(max_length=300)


class Rechecks(CrewEndpoint):
    """A version's list."""

    pagination_class = Pages

    @extend_schema(
        operation_id="list_rechecks", parameters=[RecheckQuery], responses=RecheckOut(many=True), tags=["conventions"]
    )
    def get(self, request: Request, crew: str, convention: UUID) -> Response:
        """The open ones first; `?open=true` lists these alone."""
        version = convention_version_for(self.member, convention)
        wanted = self.read_query(RecheckQuery, request)["open"]
        lines = rechecks_of(self.member, version)
        if wanted is not None:
            lines = lines.filter(ended="") if wanted else lines.exclude(ended="")
        pages = Pages()
        shown = pages.paginate_queryset(lines, request, view=self)
        return pages.get_paginated_response(listed(RecheckOut, shown))


class StillRight(CrewEndpoint):
    """Closing one without a new sheet."""

    @extend_schema(operation_id="close_recheck", request=StillRightIn, responses=RecheckOut, tags=["conventions"])
    def post(self, request: Request, crew: str, recheck: UUID) -> Response:
        """Say that the sheet is still right, and why (leads and residents)."""
        found = recheck_for(self.member, recheck)
        note = self.read(StillRightIn, request)["note"]
        return Response(RecheckOut(still_right(member=self.member, recheck=found, note=note)).data)
