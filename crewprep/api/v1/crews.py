"""The caller's crews and who is in them."""

from __future__ import annotations

from typing import cast

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.auth import reach
from crewprep.api.base import CrewEndpoint, Endpoint, listed
from crewprep.api.v1.people import person_field
from crewprep.crews.models import Membership, Role, User
from crewprep.crews.selectors import members_of, memberships_of


class CrewOut(serializers.Serializer[Membership]):
    """A crew and the caller's role in it."""

    slug = serializers.CharField(source="crew.slug")
    name = serializers.CharField(source="crew.name")
    role = serializers.ChoiceField(choices=Role.choices)


class MemberOut(serializers.Serializer[Membership]):
    """A member."""

    id = serializers.UUIDField()
    user = person_field()
    role = serializers.ChoiceField(choices=Role.choices)
    since = serializers.DateTimeField(source="created_at")


class Crews(Endpoint):
    """The crews that the caller belongs to."""

    @extend_schema(operation_id="list_crews", responses=CrewOut(many=True), tags=["crews"])
    def get(self, request: Request) -> Response:
        """Your crews, by name; with a token for one crew that one alone."""
        crews = memberships_of(cast(User, request.user))
        only = reach(request).crew_id
        return Response(listed(CrewOut, crews if only is None else crews.filter(crew=only)))


class OneCrew(CrewEndpoint):
    """One crew."""

    @extend_schema(operation_id="get_crew", responses=CrewOut, tags=["crews"])
    def get(self, request: Request, crew: str) -> Response:
        """A crew and your role in it."""
        return Response(CrewOut(self.member).data)


class Members(CrewEndpoint):
    """Who is in the crew."""

    @extend_schema(operation_id="list_members", responses=MemberOut(many=True), tags=["crews"])
    def get(self, request: Request, crew: str) -> Response:
        """Everyone in the crew."""
        return Response(listed(MemberOut, members_of(self.member)))
