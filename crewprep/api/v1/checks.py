"""House checks: how severe the crew takes each, and which sheets break them."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, Pages, listed, several
from crewprep.library.audit import Audit, AuditFinding, AuditLine, CheckCount, audit
from crewprep.sheets.checking import set_severities
from crewprep.sheets.house_checks import CHECKS, SEVERITIES

_CODES = [check.code for check in CHECKS]


class CheckOut(serializers.Serializer[CheckCount]):
    """A check and how many sheets of the library break it."""

    check = serializers.CharField(source="check.code")
    name = serializers.CharField(source="check.name")
    asks = serializers.CharField(source="check.asks")
    severity = serializers.ChoiceField(choices=SEVERITIES)
    sheets = serializers.IntegerField(help_text="Latest sheets of tracks that break it.")


class CheckIn(serializers.Serializer[object]):
    """How severe a check is from now on."""

    check = serializers.ChoiceField(choices=_CODES)
    severity = serializers.ChoiceField(choices=SEVERITIES)


class SeveritiesIn(serializers.Serializer[object]):
    """Checks to change; the others stay as they are."""

    checks = several(CheckIn, min_length=1, max_length=len(CHECKS))


class SheetsQuery(serializers.Serializer[object]):
    """Which findings to list."""

    check = serializers.ChoiceField(choices=_CODES, required=False)
    severity = serializers.ChoiceField(choices=[one for one in SEVERITIES if one != "off"], required=False)


class AuditFindingOut(serializers.Serializer[AuditFinding]):
    """What a check found at a slot of a sheet."""

    check = serializers.CharField()
    severity = serializers.ChoiceField(choices=[one for one in SEVERITIES if one != "off"])
    slot = serializers.IntegerField()
    sentence = serializers.CharField()


class AuditLineOut(serializers.Serializer[AuditLine]):
    """A track's latest sheet and what it breaks."""

    track = serializers.UUIDField(source="sheet.track_id")
    title = serializers.CharField(source="sheet.track.title")
    sheet_version = serializers.IntegerField(source="sheet.number")
    findings = several(AuditFindingOut)


class Checks(CrewEndpoint):
    """The crew's house checks."""

    @extend_schema(operation_id="list_checks", responses=CheckOut(many=True), tags=["checks"])
    def get(self, request: Request, crew: str) -> Response:
        """Every check with its severity and how many sheets break it."""
        return Response(_counts(audit(self.member)))

    @extend_schema(operation_id="set_checks", request=SeveritiesIn, responses=CheckOut(many=True), tags=["checks"])
    def put(self, request: Request, crew: str) -> Response:
        """Say how severe checks are (leads)."""
        given = self.read(SeveritiesIn, request)
        severities = {one["check"]: one["severity"] for one in given["checks"]}
        set_severities(member=self.member, severities=severities)
        return Response(_counts(audit(self.member)))


class CheckedSheets(CrewEndpoint):
    """Sheets that break a check."""

    pagination_class = Pages

    @extend_schema(
        operation_id="list_checked_sheets", parameters=[SheetsQuery], responses=AuditLineOut(many=True), tags=["checks"]
    )
    def get(self, request: Request, crew: str) -> Response:
        """The most severe first; `?check=` and `?severity=` choose findings."""
        found = audit(self.member, **self.read_query(SheetsQuery, request))
        pages = Pages()
        shown = pages.paginate_queryset(found.lines, request, view=self)
        return pages.get_paginated_response(listed(AuditLineOut, shown))


def _counts(found: Audit) -> list[dict[str, object]]:
    return listed(CheckOut, found.counts)
