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

from crewprep.api.base import MAX_INT, CrewEndpoint
from crewprep.exchange.selectors import sheet_document_for, sheet_file_for
from crewprep.exchange.sheet_json import schema
from crewprep.tracks.selectors import track_for


class SheetQuery(serializers.Serializer[object]):
    """Which approved version."""

    version = serializers.IntegerField(
        required=False, min_value=1, max_value=MAX_INT, help_text="The latest where it is left out."
    )


class CsvRenderer(BaseRenderer):
    """Lets a caller ask for CSV; the file itself is made by ``crewprep.exchange``."""

    media_type = "text/csv"
    format = "csv"
    charset = "utf-8"


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
        return Response(sheet_document_for(self.member, found.pk, wanted.get("version")))


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
        file = sheet_file_for(self.member, found.pk, "csv", self.read_query(SheetQuery, request).get("version"))
        disposition = content_disposition_header(as_attachment=True, filename=file.name) or "attachment"
        return HttpResponse(file.content, content_type=file.media_type, headers={"Content-Disposition": disposition})
