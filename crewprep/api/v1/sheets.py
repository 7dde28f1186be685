"""Approved sheets, as JSON and as CSV."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.utils.http import content_disposition_header
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import MAX_INT, CrewEndpoint, WholeNumber, listed
from crewprep.api.v1.people import person_field
from crewprep.api.v1.proposals import ProposalEndpoint, ProposalOut
from crewprep.common.errors import NotFound
from crewprep.exchange.selectors import sheet_document_for, sheet_file_for
from crewprep.exchange.sheet_json import schema
from crewprep.onboarding.sights import see_markers
from crewprep.review.again import propose_sheet_again
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.selectors import sheet_as_of, sheet_for, sheets_of
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import track_for


class SheetQuery(serializers.Serializer[object]):
    """Which approved version."""

    version = serializers.IntegerField(
        required=False, min_value=1, max_value=MAX_INT, help_text="The latest where it is left out."
    )
    at = serializers.DateTimeField(
        required=False, help_text="The sheet as it was at this instant (RFC 3339); not beside a version."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """One of the two."""
        if "version" in attrs and "at" in attrs:
            raise serializers.ValidationError({"at": "Name a version or an instant, not both."})
        return attrs


class SheetVersionOut(serializers.Serializer[SheetVersion]):
    """An approved version in a list."""

    version = serializers.IntegerField(source="number")
    convention = serializers.UUIDField(source="convention_version_id")
    proposed_by = person_field()
    approved_by = person_field()
    approved_at = serializers.DateTimeField(source="created_at")
    digest = serializers.CharField(help_text="Of what was approved; empty where that was not kept yet.")


class AgainIn(serializers.Serializer[object]):
    """An approved version to put forward again."""

    version = WholeNumber(min_value=1, max_value=MAX_INT)
    note = serializers.CharField(max_length=500, allow_blank=True, default="")
    override_reason = serializers.CharField(max_length=300, allow_blank=True, default="")


class CsvRenderer(BaseRenderer):
    """Lets a caller ask for CSV; the file itself is made by ``crewprep.exchange``."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"


def _number(track: Track, wanted: dict[str, Any]) -> int | None:
    """The version that a query means, None for the latest; raises ``NotFound`` for an instant before the first."""
    if "at" not in wanted:
        return wanted.get("version")
    sheet = sheet_as_of(track, wanted["at"])
    if sheet is None:
        raise NotFound("sheet:none-yet")
    return sheet.number


def _sheet_schema() -> dict[str, Any]:
    """The export's own schema, without what marks it as a document of its own."""
    return {name: value for name, value in schema().items() if not name.startswith("$")}


class Sheet(CrewEndpoint):
    """A track's approved sheet."""

    @extend_schema(operation_id="get_sheet", parameters=[SheetQuery], responses={200: _sheet_schema()}, tags=["sheets"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """The sheet as the JSON document that also leaves as a file."""
        found = track_for(self.member, track)
        wanted = self.read_query(SheetQuery, request)
        document = sheet_document_for(self.member, found.pk, _number(found, wanted))
        see_markers(self.member, found.pk)
        return Response(document)


class Sheets(CrewEndpoint):
    """The versions of a track's sheet."""

    @extend_schema(operation_id="list_sheets", responses=SheetVersionOut(many=True), tags=["sheets"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """Every approved version, the newest first."""
        return Response(listed(SheetVersionOut, sheets_of(self.member, track_for(self.member, track))))


class Again(ProposalEndpoint):
    """Opening an approved sheet again."""

    @extend_schema(operation_id="propose_sheet_again", request=AgainIn, responses={201: ProposalOut}, tags=["sheets"])
    def post(self, request: Request, crew: str, track: UUID) -> Response:
        """Put an approved version forward as a new proposal with its markers."""
        found = track_for(self.member, track)
        given = self.read(AgainIn, request)
        sheet = sheet_for(self.member, found, given.pop("version"))
        return self.answer(propose_sheet_again(member=self.member, sheet=sheet, **given).pk, status=201)


class SheetCsv(CrewEndpoint):
    """A track's approved sheet as a table."""

    renderer_classes = [CsvRenderer]

    @extend_schema(
        operation_id="get_sheet_csv", parameters=[SheetQuery], tags=["sheets"],
        responses={(200, "text/csv"): OpenApiTypes.STR},
    )  # fmt: skip
    def get(self, request: Request, crew: str, track: UUID) -> HttpResponse:
        """The sheet as CSV (RFC 4180), safe to open in a spreadsheet."""
        found = track_for(self.member, track)
        number = _number(found, self.read_query(SheetQuery, request))
        file = sheet_file_for(self.member, found.pk, "csv", number)
        see_markers(self.member, found.pk)
        disposition = content_disposition_header(as_attachment=True, filename=file.name) or "attachment"
        return HttpResponse(file.content, content_type=file.media_type, headers={"Content-Disposition": disposition})
