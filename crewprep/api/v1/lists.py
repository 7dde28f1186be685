"""Lists of tracks from elsewhere: bring one in, say what its columns mean, look at the plan, apply it."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, WholeNumber, listed, several
from crewprep.api.v1.people import person_field
from crewprep.common.errors import Invalid
from crewprep.conventions.selectors import convention_version_for
from crewprep.exchange.list_columns import MOST_SHIFT_MS, UNITS, ListMapping
from crewprep.exchange.list_plan import Line
from crewprep.exchange.list_reading import MAX_BYTES, MAX_COLUMNS
from crewprep.exchange.lists import (
    LookedAt,
    apply_list,
    bring_list,
    discard_list,
    list_for,
    lists_of,
    look_at,
    map_list,
)
from crewprep.exchange.models import ListState


class MappingIn(serializers.Serializer[object]):
    """How a list is read."""

    columns = serializers.ListField(
        child=serializers.CharField(allow_blank=True, max_length=12),
        max_length=MAX_COLUMNS,
        help_text=(
            "A role for each column: empty (left out), file, pcm, title, artist; slot, start, end, beats, label for a "
            "line a marker; start:4, end:4, beats:4 for the marker of slot 4 in a line a track."
        ),
    )
    unit = serializers.ChoiceField(choices=list(UNITS), help_text="Seconds, minutes (1:01.250), or milliseconds.")
    shift_ms = WholeNumber(min_value=-MOST_SHIFT_MS, max_value=MOST_SHIFT_MS)
    snap = serializers.BooleanField(help_text="Pull markers to the grid.")
    write_tags = serializers.BooleanField(help_text="Write the list's tags where a line is found by its file.")
    convention = serializers.UUIDField(help_text="The published version whose slots are meant.")


class MappingOut(MappingIn):
    """How a list is read at the moment."""


class ListSummaryOut(serializers.Serializer[Any]):
    """A list among others."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    sha256 = serializers.CharField()
    state = serializers.ChoiceField(choices=ListState.choices)
    brought_by = person_field(source="made_by")
    brought_at = serializers.DateTimeField(source="created_at")
    applied_at = serializers.DateTimeField(allow_null=True)


class ListMarkerOut(serializers.Serializer[object]):
    """An old marker of a line."""

    slot = serializers.IntegerField()
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True)
    text = serializers.CharField(source="label", allow_blank=True)


class ListTagsOut(serializers.Serializer[object]):
    """New tags."""

    title = serializers.CharField()
    artist = serializers.CharField(allow_blank=True)


class LineOut(serializers.Serializer[Line]):
    """What a line of the file would do, or why it cannot be used."""

    line = serializers.IntegerField(source="number", help_text="Line of the file, the first being 1.")
    track = serializers.UUIDField(source="track.pk", default=None, allow_null=True)
    tags = ListTagsOut(allow_null=True)
    markers = several(ListMarkerOut)
    problem = serializers.CharField(help_text="Empty for a line that can be used.")


class PlanOut(serializers.Serializer[object]):
    """What an open list would do."""

    digest = serializers.CharField(help_text="Send it with the order to apply, so that what was seen is applied.")
    lines = several(LineOut)


class ListOut(ListSummaryOut):
    """A list with its columns and, while it is open and can be read, its plan."""

    header = serializers.ListField(child=serializers.CharField())
    mapping = MappingOut(source="read_so")
    problem = serializers.CharField(help_text="Why the mapping cannot be used; empty where it can.")
    plan = serializers.SerializerMethodField()

    @extend_schema_field(PlanOut(allow_null=True))
    def get_plan(self, row: Any) -> Any:
        """The plan of an open list."""
        return None if row["plan"] is None else PlanOut(row["plan"]).data


class ApplyIn(serializers.Serializer[object]):
    """The order to apply a list."""

    digest = serializers.CharField(max_length=64)
    leave_out = serializers.BooleanField(default=False, help_text="Whether lines that cannot be used may stay out.")


class AppliedOut(serializers.Serializer[object]):
    """What was applied."""

    lines = serializers.IntegerField()
    wrong = serializers.IntegerField(help_text="Lines that were left out.")
    tags = serializers.IntegerField(help_text="Tracks with new tags.")
    tracks = serializers.IntegerField(help_text="Tracks with old markers, now your unproposed work.")
    markers = serializers.IntegerField()


class Lists(CrewEndpoint):
    """The crew's lists."""

    parser_classes = [MultiPartParser]

    @extend_schema(operation_id="list_lists", responses=ListSummaryOut(many=True), tags=["lists"])
    def get(self, request: Request, crew: str) -> Response:
        """The newest fifty."""
        return Response(listed(ListSummaryOut, lists_of(self.member)))

    @extend_schema(
        operation_id="bring_list",
        request={
            "multipart/form-data": {
                "type": "object",
                "required": ["list"],
                "properties": {"list": {"type": "string", "format": "binary"}},
            }
        },
        responses={201: ListOut},
        tags=["lists"],
    )
    def post(self, request: Request, crew: str) -> Response:
        """Bring a CSV list in (form field `list`). Its columns are guessed; nothing changes before it is applied."""
        files = request.FILES.getlist("list")
        if len(files) != 1:
            raise Invalid("list:file-missing")
        row = bring_list(member=self.member, name=files[0].name or "", content=files[0].read(MAX_BYTES + 1))
        return Response(ListOut(_shown(look_at(self.member, row))).data, status=201)


class OneList(CrewEndpoint):
    """One list."""

    @extend_schema(operation_id="get_list", responses=ListOut, tags=["lists"])
    def get(self, request: Request, crew: str, list: UUID) -> Response:
        """A list and its plan."""
        return Response(ListOut(_shown(look_at(self.member, list_for(self.member, list)))).data)

    @extend_schema(operation_id="map_list", request=MappingIn, responses=ListOut, tags=["lists"])
    def put(self, request: Request, crew: str, list: UUID) -> Response:
        """Say what the columns mean (whoever brought the list in)."""
        row = list_for(self.member, list)
        given = self.read(MappingIn, request)
        version = convention_version_for(self.member, given.pop("convention"))
        map_list(member=self.member, row=row, mapping=ListMapping.of(given), version=version)
        return Response(ListOut(_shown(look_at(self.member, row))).data)

    @extend_schema(operation_id="discard_list", request=None, responses={204: None}, tags=["lists"])
    def delete(self, request: Request, crew: str, list: UUID) -> Response:
        """Put an open list aside (whoever brought it in)."""
        discard_list(member=self.member, row=list_for(self.member, list))
        return Response(status=204)


class ApplyList(CrewEndpoint):
    """Applying a list."""

    @extend_schema(operation_id="apply_list", request=ApplyIn, responses=AppliedOut, tags=["lists"])
    def post(self, request: Request, crew: str, list: UUID) -> Response:
        """Apply what the digest names, all of it or nothing (whoever brought the list in)."""
        row = list_for(self.member, list)
        given = self.read(ApplyIn, request)
        counts = apply_list(member=self.member, row=row, seen=given["digest"], leave_out=given["leave_out"])
        return Response(AppliedOut(counts).data)


def _shown(looked: LookedAt) -> dict[str, Any]:
    """A looked-at list as one thing for its serializer."""
    row = looked.row
    names = ("id", "name", "sha256", "state", "made_by", "created_at", "applied_at")
    return {
        **{name: getattr(row, name) for name in names},
        "header": looked.table.header,
        "read_so": {**row.mapping, "convention": row.convention_version_id},
        "problem": looked.problem,
        "plan": looked.plan,
    }
