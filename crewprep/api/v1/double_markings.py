"""Double markings: opened by leads, marked unseen, and what they say of the convention's slots."""

from __future__ import annotations

import secrets
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import MAX_INT, CrewEndpoint, Pages, WholeNumber, listed, seen_revision, several
from crewprep.api.v1.people import person_field
from crewprep.api.v1.proposals import MAX_TIME_US
from crewprep.common.errors import Invalid, NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import convention_version_for, current_version
from crewprep.crews.models import Membership
from crewprep.crews.selectors import members_of
from crewprep.onboarding.disagreement import RELATIONS
from crewprep.onboarding.double import (
    MOST_MEMBERS,
    MOST_TRACKS,
    Progress,
    Sample,
    SheetCounts,
    blind_sheet_for,
    blind_sheets_of,
    close_double_marking,
    counts_of,
    double_marking_for,
    double_markings_of,
    hand_in_blind,
    keep_blind,
    may_see_report,
    open_double_marking,
    progress_of,
)
from crewprep.onboarding.double_report import report_of, report_values
from crewprep.onboarding.models import BlindSheet, DoubleMarking
from crewprep.onboarding.sights import note_sight
from crewprep.sheets.markers import MarkerInput
from crewprep.tracks.selectors import track_for

_IF_MATCH = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description='The revision that was seen, as `"3"`.'
)
_TAGS = ["double markings"]


class SheetCountsOut(serializers.Serializer[SheetCounts]):
    """How many sheets there are, are handed in, and are left to the caller."""

    total = serializers.IntegerField()
    handed_in = serializers.IntegerField()
    yours = serializers.IntegerField(source="mine")
    yours_left = serializers.IntegerField(source="mine_left")


class DoubleMarkingOut(serializers.Serializer[DoubleMarking]):
    """A double marking; `closed_at` is null while it is open."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    convention = serializers.UUIDField(source="convention_version_id")
    opened_by = person_field(source="made_by")
    opened_at = serializers.DateTimeField(source="created_at")
    closed_at = serializers.DateTimeField(allow_null=True)
    sheets = serializers.SerializerMethodField()

    def get_sheets(self, marking: DoubleMarking) -> SheetCountsOut:
        """Where its sheets stand."""
        counts = self.context["counts"][marking.pk]
        return SheetCountsOut(counts).data  # type: ignore[return-value]  # the document reads its schema from here


class ProgressOut(serializers.Serializer[Progress]):
    """How far a member is."""

    member = person_field(source="person")
    handed_in = serializers.IntegerField()
    total = serializers.IntegerField()


class BlindSheetOut(serializers.Serializer[BlindSheet]):
    """One of one's own sheets in a list."""

    track = serializers.UUIDField(source="track_id")
    title = serializers.CharField(source="track.title")
    revision = serializers.IntegerField()
    handed_in_at = serializers.DateTimeField(allow_null=True)


class OneDoubleMarkingOut(DoubleMarkingOut):
    """A double marking with who is how far. `yours` is empty for who takes no part."""

    progress = several(ProgressOut)
    yours = several(BlindSheetOut)
    report_shown = serializers.BooleanField(help_text="Whether the caller may read the report already.")


class BlindMarkerOut(serializers.Serializer[object]):
    """A marker of a blind sheet; times are microseconds from the first sample of the canonical decode."""

    slot = serializers.IntegerField()
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True)


class BlindSheetWithMarkersOut(BlindSheetOut):
    """One's own sheet with its markers."""

    markers = several(BlindMarkerOut)


class BlindMarkerIn(serializers.Serializer[object]):
    """A marker to keep."""

    slot = WholeNumber(min_value=1, max_value=16)
    start_us = WholeNumber(min_value=0, max_value=MAX_TIME_US)
    end_us = WholeNumber(
        min_value=1, max_value=MAX_TIME_US, allow_null=True, default=None, help_text="null for a point."
    )


class BlindMarkersIn(serializers.Serializer[object]):
    """All markers of the sheet; a slot that is left out is left empty."""

    markers = several(BlindMarkerIn, max_length=64)


class OpenIn(serializers.Serializer[object]):
    """Who marks what: `tracks`, or `draw` so many by a `seed` (any where it is left out)."""

    name = serializers.CharField(max_length=60)
    convention = serializers.UUIDField(required=False, help_text="The current version where it is left out.")
    members = serializers.ListField(
        child=serializers.CharField(max_length=150), max_length=MOST_MEMBERS, help_text="Sign-in names."
    )
    tracks = serializers.ListField(child=serializers.UUIDField(), required=False, max_length=MOST_TRACKS)
    draw = WholeNumber(required=False, min_value=1, max_value=MOST_TRACKS)
    seed = WholeNumber(required=False, min_value=0, max_value=MAX_INT)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """One of the two ways."""
        if ("tracks" in attrs) == ("draw" in attrs):
            raise serializers.ValidationError({"draw": "Name tracks, or say how many to draw; not both."})
        return attrs


class CoefficientOut(serializers.Serializer[object]):
    """A coefficient of agreement; null below `least_items` items, and where all said one and the same."""

    value = serializers.FloatField(allow_null=True)
    items = serializers.IntegerField()


class KappaOut(CoefficientOut):
    """The mean over pairs of members."""

    pairs_of_members = serializers.IntegerField()


class ShareApartOut(serializers.Serializer[object]):
    """Pairs not within a bar, of those where at least one set a marker, with the Wilson interval at 95 %."""

    apart = serializers.IntegerField()
    compared = serializers.IntegerField()
    value = serializers.FloatField(allow_null=True)
    low = serializers.FloatField()
    high = serializers.FloatField()


class BlindPlaceOut(serializers.Serializer[object]):
    """Where a member set the slot; null for nowhere."""

    member = serializers.CharField(help_text="A sign-in name.")
    start_us = serializers.IntegerField(allow_null=True)


class PairApartOut(serializers.Serializer[object]):
    """Two members who are not within a bar of each other on a track."""

    track = serializers.UUIDField()
    title = serializers.CharField()
    relation = serializers.ChoiceField(choices=list(RELATIONS))
    beats = serializers.FloatField(allow_null=True)
    phrases = serializers.IntegerField(allow_null=True)
    places = several(BlindPlaceOut)


class SlotAgreementOut(serializers.Serializer[object]):
    """How often pairs of members were in each relation on a slot."""

    slot = serializers.IntegerField()
    name = serializers.CharField()
    guidance = serializers.CharField()
    exact = serializers.IntegerField(help_text="Within a quarter of a beat.")
    bar = serializers.IntegerField(help_text="Within a bar.")
    phrase = serializers.IntegerField(help_text="Whole phrases apart.")
    elsewhere = serializers.IntegerField()
    missing = serializers.IntegerField(help_text="One of the two set none.")
    both_empty = serializers.IntegerField()
    share_apart = ShareApartOut()
    alpha_positions = CoefficientOut()
    apart = several(PairApartOut)


class ReportOut(serializers.Serializer[object]):
    """What was handed in so far says of the convention's slots; `reword_first` names the worst first."""

    name = serializers.CharField()
    convention = serializers.CharField()
    tracks = serializers.IntegerField()
    members = serializers.ListField(child=serializers.CharField())
    least_items = serializers.IntegerField()
    kappa_functions = KappaOut()
    alpha_functions = CoefficientOut()
    alpha_positions = CoefficientOut()
    reword_first = serializers.ListField(child=serializers.IntegerField())
    slots = several(SlotAgreementOut)


class _OfMarking(CrewEndpoint):
    """What the endpoints of a double marking share."""

    def _marking(self, marking: UUID) -> DoubleMarking:
        return double_marking_for(self.member, marking)

    def _answer(self, marking: UUID, status: int = 200) -> Response:
        found = self._marking(marking)
        values = DoubleMarkingOut(found, context={"counts": counts_of(self.member, [found])}).data
        return Response(
            {
                **values,
                "progress": listed(ProgressOut, progress_of(found)),
                "yours": listed(BlindSheetOut, blind_sheets_of(self.member, found)),
                "report_shown": bool(may_see_report(self.member, found)),
            },
            status=status,
        )


class DoubleMarkings(_OfMarking):
    """The crew's double markings."""

    pagination_class = Pages

    @extend_schema(operation_id="list_double_markings", responses=DoubleMarkingOut(many=True), tags=_TAGS)
    def get(self, request: Request, crew: str) -> Response:
        """Newest first."""
        pages = Pages()
        shown = pages.paginate_queryset(double_markings_of(self.member), request, view=self) or []
        context = {"counts": counts_of(self.member, shown)}
        return pages.get_paginated_response(listed(DoubleMarkingOut, shown, context=context))

    @extend_schema(operation_id="open_double_marking", request=OpenIn, responses={201: OneDoubleMarkingOut}, tags=_TAGS)
    def post(self, request: Request, crew: str) -> Response:
        """Have members mark tracks without seeing each other (leads)."""
        given = self.read(OpenIn, request)
        if "draw" in given:
            seed = given["seed"] if "seed" in given else secrets.randbelow(MAX_INT)
            tracks: Any = Sample(given["draw"], seed)
        else:
            tracks = [track_for(self.member, track) for track in given["tracks"]]
        made = open_double_marking(
            member=self.member, name=given["name"], version=self._version(given.get("convention")), tracks=tracks,
            members=self._members(given["members"]),
        )  # fmt: skip
        return self._answer(made.pk, status=201)

    def _version(self, convention: UUID | None) -> ConventionVersion:
        version = convention_version_for(self.member, convention) if convention else current_version(self.member)
        if version is None:
            raise Invalid("convention:none")
        return version

    def _members(self, usernames: list[str]) -> list[Membership]:
        found = {one.user.username: one for one in members_of(self.member)}
        if not set(usernames) <= found.keys():
            raise NotFound
        return [found[username] for username in usernames]


class OneDoubleMarking(_OfMarking):
    """One double marking."""

    @extend_schema(operation_id="get_double_marking", responses=OneDoubleMarkingOut, tags=_TAGS)
    def get(self, request: Request, crew: str, marking: UUID) -> Response:
        """Who has handed in how many, and one's own sheets."""
        return self._answer(marking)


class CloseDoubleMarking(_OfMarking):
    """Closing one before everybody has handed in."""

    @extend_schema(operation_id="close_double_marking", request=None, responses=OneDoubleMarkingOut, tags=_TAGS)
    def post(self, request: Request, crew: str, marking: UUID) -> Response:
        """Close it with what is handed in (leads)."""
        close_double_marking(member=self.member, marking=self._marking(marking))
        return self._answer(marking)


class ReportOfDoubleMarking(_OfMarking):
    """What it says of the convention."""

    @extend_schema(operation_id="get_double_marking_report", responses=ReportOut, tags=_TAGS)
    def get(self, request: Request, crew: str, marking: UUID) -> Response:
        """For whoever has handed in all of theirs, and for everybody once it is closed; 403 before."""
        report = report_of(self.member, self._marking(marking))
        note_sight(self.member, report.tracks)
        return Response(ReportOut(report_values(report)).data)


class OneBlindSheet(_OfMarking):
    """One's own sheet of a track; another member's is a 404."""

    @extend_schema(operation_id="get_blind_sheet", responses=BlindSheetWithMarkersOut, tags=_TAGS)
    def get(self, request: Request, crew: str, marking: UUID, track: UUID) -> Response:
        """What one has marked so far."""
        return self._sheet(blind_sheet_for(self.member, self._marking(marking), track))

    @extend_schema(
        operation_id="keep_blind_sheet", request=BlindMarkersIn, responses=BlindSheetWithMarkersOut,
        parameters=[_IF_MATCH], tags=_TAGS,
    )  # fmt: skip
    def put(self, request: Request, crew: str, marking: UUID, track: UUID) -> Response:
        """Keep markers over the revision that was seen."""
        sheet, markers, revision = self._read(request, marking, track)
        return self._sheet(keep_blind(member=self.member, sheet=sheet, markers=markers, seen_revision=revision))

    def _read(self, request: Request, marking: UUID, track: UUID) -> tuple[BlindSheet, list[MarkerInput], int]:
        sheet = blind_sheet_for(self.member, self._marking(marking), track)
        given = self.read(BlindMarkersIn, request)["markers"]
        revision = seen_revision(request, current=sheet.revision, code="double:other-revision")
        return sheet, [MarkerInput(**marker) for marker in given], revision

    def _sheet(self, sheet: BlindSheet) -> Response:
        return Response(BlindSheetWithMarkersOut(sheet).data)


class HandInBlindSheet(OneBlindSheet):
    """Handing in a sheet for good."""

    http_method_names = ["post"]

    @extend_schema(
        operation_id="hand_in_blind_sheet", request=BlindMarkersIn, responses=BlindSheetWithMarkersOut,
        parameters=[_IF_MATCH], tags=_TAGS,
    )  # fmt: skip
    def post(self, request: Request, crew: str, marking: UUID, track: UUID) -> Response:
        """Hand in markers over the revision that was seen; they stay as they are from then on."""
        sheet, markers, revision = self._read(request, marking, track)
        return self._sheet(hand_in_blind(member=self.member, sheet=sheet, markers=markers, seen_revision=revision))
