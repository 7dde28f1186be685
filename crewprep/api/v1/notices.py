"""One's notices in a crew, and how one wants them."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, Pages, WholeNumber, listed, several
from crewprep.api.v1.people import person_field
from crewprep.notices.choices import choices_of, choose
from crewprep.notices.kinds import WAYS, Kind, Way
from crewprep.notices.models import Notice, NoticeChoices
from crewprep.notices.selectors import notice_for, notices_of, unread_of
from crewprep.notices.services import mark_all_read, mark_read


class NoticeOut(serializers.Serializer[Notice]):
    """Something to know; `path` leads to what it is about, on this service's pages."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=Kind.choices)
    sentence = serializers.CharField()
    by = person_field(allow_null=True)
    subject = serializers.UUIDField(source="subject_id")
    path = serializers.CharField()
    happened_at = serializers.DateTimeField()
    good_until = serializers.DateTimeField(allow_null=True)
    read_at = serializers.DateTimeField(allow_null=True)


class NoticesQuery(serializers.Serializer[object]):
    """Which notices."""

    unread = serializers.BooleanField(default=False, help_text="Only those not read yet and still of use.")


class ReadOut(serializers.Serializer[object]):
    """How many were marked."""

    marked = serializers.IntegerField()


class WayOut(serializers.Serializer[object]):
    """How one kind comes."""

    kind = serializers.ChoiceField(choices=Kind.choices)
    way = serializers.ChoiceField(choices=Way.choices)


class ChoicesOut(serializers.Serializer[NoticeChoices]):
    """How a member wants their notices; hours are of the clock in `zone`."""

    ways = serializers.SerializerMethodField()
    mail_off = serializers.BooleanField()
    digest = serializers.BooleanField()
    digest_hour = serializers.IntegerField()
    quiet_from = serializers.TimeField(allow_null=True)
    quiet_until = serializers.TimeField(allow_null=True)
    zone = serializers.CharField()

    @extend_schema_field(WayOut(many=True))
    def get_ways(self, choices: NoticeChoices) -> list[dict[str, str]]:
        """Each kind with its way, as chosen."""
        return [{"kind": kind.value, "way": choices.ways.get(kind, WAYS[kind])} for kind in Kind]


class ChoicesIn(serializers.Serializer[object]):
    """All choices; kinds that are not named stay as they are."""

    ways = several(WayOut, required=False)
    mail_off = serializers.BooleanField(default=False, help_text="No mail at all; the page keeps its notices.")
    digest = serializers.BooleanField(default=False, help_text="One mail a day instead of single ones.")
    digest_hour = WholeNumber(min_value=0, max_value=23, default=9)
    quiet_from = serializers.TimeField(allow_null=True, default=None)
    quiet_until = serializers.TimeField(allow_null=True, default=None)
    zone = serializers.CharField(max_length=60, help_text="An IANA name, such as Europe/Lisbon.")


class Notices(CrewEndpoint):
    """One's notices in the crew."""

    pagination_class = Pages

    @extend_schema(
        operation_id="list_notices", parameters=[NoticesQuery], responses=NoticeOut(many=True), tags=["notices"]
    )
    def get(self, request: Request, crew: str) -> Response:
        """Newest first."""
        unread = self.read_query(NoticesQuery, request)["unread"]
        found = unread_of(self.member) if unread else notices_of(self.member)
        pages = Pages()
        shown = pages.paginate_queryset(found, request, view=self)
        return pages.get_paginated_response(listed(NoticeOut, shown))


class AllRead(CrewEndpoint):
    """All of one's notices."""

    @extend_schema(operation_id="read_all_notices", request=None, responses=ReadOut, tags=["notices"])
    def post(self, request: Request, crew: str) -> Response:
        """Mark all as read."""
        return Response({"marked": mark_all_read(member=self.member)})


class OneRead(CrewEndpoint):
    """One of one's notices."""

    @extend_schema(operation_id="read_notice", request=None, responses=NoticeOut, tags=["notices"])
    def post(self, request: Request, crew: str, notice: UUID) -> Response:
        """Mark it as read."""
        mark_read(member=self.member, notice=notice_for(self.member, notice))
        return Response(NoticeOut(notice_for(self.member, notice)).data)


class Choices(CrewEndpoint):
    """How one wants one's notices in this crew."""

    @extend_schema(operation_id="get_notice_choices", responses=ChoicesOut, tags=["notices"])
    def get(self, request: Request, crew: str) -> Response:
        """As chosen so far."""
        return Response(ChoicesOut(choices_of(self.member)).data)

    @extend_schema(operation_id="set_notice_choices", request=ChoicesIn, responses=ChoicesOut, tags=["notices"])
    def put(self, request: Request, crew: str) -> Response:
        """Choose anew."""
        given = self.read(ChoicesIn, request)
        ways = {one["kind"]: one["way"] for one in given.pop("ways", [])}
        return Response(ChoicesOut(choose(member=self.member, ways=ways, **given)).data)
