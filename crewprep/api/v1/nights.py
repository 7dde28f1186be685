"""Nights: plans, the board, the burn-down; and a member's calendar address."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.urls import reverse
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, Pages, listed, seen_revision, several
from crewprep.api.v1.crates import CrateOut
from crewprep.api.v1.people import person_field
from crewprep.api.v1.proposals import IF_MATCH
from crewprep.crates.models import Night
from crewprep.crates.nights import NightPlan, edit_night, make_night, put_under_night
from crewprep.crates.selectors import crate_for, night_for, nights_of
from crewprep.readiness.board import AtRisk, Board, CrateLine, board_of
from crewprep.readiness.burn_down import BurnDown, Day, burn_down_of
from crewprep.readiness.models import CalendarFeed
from crewprep.readiness.risk import ORDER, Risk
from crewprep.readiness.selectors import feed_of
from crewprep.readiness.services import give_feed, withdraw_feed
from crewprep.readiness.standing import STATES, Blocker, Standing


class NightIn(serializers.Serializer[object]):
    """The plan of a night (leads and residents)."""

    name = serializers.CharField(max_length=80)
    date = serializers.DateField()
    doors_at = serializers.TimeField(
        allow_null=True, default=None, help_text="When the doors open, by the clocks of `time_zone`."
    )
    time_zone = serializers.CharField(max_length=64, default="UTC", help_text="An IANA name, such as Europe/Lisbon.")
    ready_by = serializers.DateTimeField(
        allow_null=True, default=None, help_text="The deadline, with its offset from UTC; not after the night begins."
    )


class NightOut(serializers.Serializer[Night]):
    """A night."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    date = serializers.DateField()
    doors_at = serializers.TimeField(allow_null=True)
    time_zone = serializers.CharField()
    ready_by = serializers.DateTimeField(allow_null=True)
    due_on = serializers.DateField(help_text="The day of the deadline, or of the night where there is none.")
    days_left = serializers.IntegerField(help_text="From today until `due_on`; below 0 after it.")
    revision = serializers.IntegerField(help_text="Counts changes; send it back in If-Match.")


class NightOfCrateIn(serializers.Serializer[object]):
    """The night that a crate is for, or null for none."""

    night = serializers.UUIDField(allow_null=True)


class BlockerOut(serializers.Serializer[Blocker]):
    """What a house check finds in the way."""

    slot = serializers.IntegerField()
    sentence = serializers.CharField()


class RiskOut(serializers.Serializer[Risk]):
    """Why a track may not be ready."""

    code = serializers.ChoiceField(choices=list(ORDER))
    words = serializers.CharField()


class StandingOut(serializers.Serializer[Standing]):
    """A track in one of the night's crates."""

    track = serializers.UUIDField(source="place.track_id")
    title = serializers.CharField(source="place.track.title")
    crate = serializers.UUIDField(source="place.crate_id")
    state = serializers.ChoiceField(choices=list(STATES))
    minutes = serializers.FloatField(help_text="Estimated minutes of work until it is approved.")
    holder = serializers.SerializerMethodField()
    assigned = person_field(allow_null=True)
    proposal = serializers.UUIDField(source="proposal.pk", default=None, allow_null=True)
    blockers = several(BlockerOut)

    @extend_schema_field(person_field(allow_null=True))
    def get_holder(self, one: Standing) -> Any:
        """Who holds it now."""
        return None if one.holder is None or one.lapsed else person_field().to_representation(one.holder)


class AtRiskOut(serializers.Serializer[AtRisk]):
    """An open track with the reasons, the worst first."""

    standing = StandingOut()
    risks = several(RiskOut)


class CrateLineOut(serializers.Serializer[CrateLine]):
    """A crate of the night in numbers."""

    id = serializers.UUIDField(source="crate.pk")
    name = serializers.CharField(source="crate.name")
    tracks = serializers.IntegerField()
    counts = serializers.DictField(child=serializers.IntegerField(), help_text="Tracks by state; every state is there.")
    minutes = serializers.FloatField()


class BoardOut(serializers.Serializer[Board]):
    """How ready a night is; a track in two of its crates counts once."""

    night = NightOut()
    tracks = serializers.IntegerField()
    open = serializers.IntegerField(help_text="Tracks without an approved sheet by their crate's convention version.")
    minutes = serializers.FloatField(help_text="Estimated minutes of work that are left.")
    minutes_a_day = serializers.FloatField()
    crates = several(CrateLineOut)
    blocked = several(StandingOut, help_text="Tracks with an open blocker or an unresolved return.")


class DayOut(serializers.Serializer[Day]):
    """The end of a day by the night's clocks."""

    date = serializers.DateField()
    open = serializers.IntegerField(allow_null=True, help_text="null for days to come.")
    even = serializers.FloatField(help_text="How many would be open at an even pace.")


class BurnDownOut(serializers.Serializer[BurnDown]):
    """Open tracks day by day, until the night."""

    today = serializers.DateField()
    days = several(DayOut)


class CalendarAddressOut(serializers.Serializer[CalendarFeed]):
    """Whether the member has a calendar address, and since when."""

    given_at = serializers.DateTimeField(allow_null=True)


class NewCalendarAddressOut(serializers.Serializer[object]):
    """A new calendar address. It is not kept, so it cannot be asked for again."""

    address = serializers.URLField()


class Nights(CrewEndpoint):
    """The crew's nights."""

    @extend_schema(operation_id="list_nights", responses=NightOut(many=True), tags=["nights"])
    def get(self, request: Request, crew: str) -> Response:
        """Every night, by date."""
        return Response(listed(NightOut, nights_of(self.member)))

    @extend_schema(operation_id="make_night", request=NightIn, responses={201: NightOut}, tags=["nights"])
    def post(self, request: Request, crew: str) -> Response:
        """Plan a night (leads and residents)."""
        night = make_night(member=self.member, plan=NightPlan(**self.read(NightIn, request)))
        return Response(NightOut(night).data, status=201)


class OneNight(CrewEndpoint):
    """One night."""

    @extend_schema(operation_id="get_night", responses=NightOut, tags=["nights"])
    def get(self, request: Request, crew: str, night: UUID) -> Response:
        """A night and its revision."""
        return _with_tag(night_for(self.member, night))

    @extend_schema(
        operation_id="edit_night", request=NightIn, responses=NightOut, parameters=[IF_MATCH], tags=["nights"]
    )
    def put(self, request: Request, crew: str, night: UUID) -> Response:
        """Change the whole plan of a night that was seen at the revision in If-Match (leads and residents)."""
        found = night_for(self.member, night)
        seen = seen_revision(request, current=found.revision, code="night:moved-on")
        plan = NightPlan(**self.read(NightIn, request))
        return _with_tag(edit_night(member=self.member, night=found, plan=plan, seen_revision=seen))


class BoardOfNight(CrewEndpoint):
    """How ready a night is."""

    @extend_schema(operation_id="get_board", responses=BoardOut, tags=["nights"])
    def get(self, request: Request, crew: str, night: UUID) -> Response:
        """The night's crates in numbers, the work that is left, what is in the way."""
        return Response(BoardOut(board_of(night_for(self.member, night))).data)


class AtRiskOfNight(CrewEndpoint):
    """A night's open tracks."""

    pagination_class = Pages

    @extend_schema(operation_id="list_at_risk", responses=AtRiskOut(many=True), tags=["nights"])
    def get(self, request: Request, crew: str, night: UUID) -> Response:
        """Open tracks with the reasons why they may not be ready, most at risk first."""
        board = board_of(night_for(self.member, night))
        pages = Pages()
        shown = pages.paginate_queryset(list(board.at_risk), request, view=self)
        return pages.get_paginated_response(listed(AtRiskOut, shown))


class BurnDownOfNight(CrewEndpoint):
    """A night's burn-down."""

    @extend_schema(operation_id="get_burn_down", responses=BurnDownOut, tags=["nights"])
    def get(self, request: Request, crew: str, night: UUID) -> Response:
        """Open tracks at the end of each day since the first one came, beside an even pace."""
        return Response(BurnDownOut(burn_down_of(night_for(self.member, night))).data)


class NightOfCrate(CrewEndpoint):
    """The night that a crate is for."""

    @extend_schema(operation_id="set_night", request=NightOfCrateIn, responses=CrateOut, tags=["nights"])
    def put(self, request: Request, crew: str, crate: UUID) -> Response:
        """Put a crate under a night, or under none (leads and residents)."""
        found = crate_for(self.member, crate)
        named = self.read(NightOfCrateIn, request)["night"]
        night = None if named is None else night_for(self.member, named)
        return Response(CrateOut(put_under_night(member=self.member, crate=found, night=night)).data)


class CalendarAddress(CrewEndpoint):
    """The address under which the member's calendar program reads the nights."""

    @extend_schema(operation_id="get_calendar_address", responses=CalendarAddressOut, tags=["nights"])
    def get(self, request: Request, crew: str) -> Response:
        """When the address was given; null where there is none."""
        feed = feed_of(self.member)
        return Response({"given_at": None} if feed is None else CalendarAddressOut(feed).data)

    @extend_schema(
        operation_id="give_calendar_address", request=None, responses={201: NewCalendarAddressOut}, tags=["nights"]
    )
    def post(self, request: Request, crew: str) -> Response:
        """Make or renew the address; it is told once, and an older one stops."""
        path = reverse("calendar-feed", args=[give_feed(member=self.member)])
        return Response({"address": request.build_absolute_uri(path)}, status=201)

    @extend_schema(operation_id="withdraw_calendar_address", responses={204: None}, tags=["nights"])
    def delete(self, request: Request, crew: str) -> Response:
        """Withdraw the address."""
        withdraw_feed(member=self.member)
        return Response(status=204)


def _with_tag(night: Night) -> Response:
    return Response(NightOut(night).data, headers={"ETag": f'"{night.revision}"'})
