"""Who holds a track: claim, release, take over, assign."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint
from crewprep.api.v1.people import person_field
from crewprep.common.errors import Conflict, NotFound
from crewprep.crews.models import Membership
from crewprep.crews.selectors import members_of
from crewprep.preparation.models import Claim
from crewprep.preparation.selectors import live_claim
from crewprep.preparation.services import assign_track, claim_track, release_track, take_over
from crewprep.tracks.selectors import track_for


class ClaimOut(serializers.Serializer[Claim]):
    """A hold on a track; past `until` it has lapsed."""

    holder = person_field()
    since = serializers.DateTimeField()
    until = serializers.DateTimeField()
    note = serializers.CharField()


class HoldOut(serializers.Serializer[object]):
    """The hold on a track, or null."""

    claim = ClaimOut(allow_null=True)


class ClaimIn(serializers.Serializer[object]):
    """Empty to claim or to renew; a holder and a note to take the track over."""

    take_over_from = serializers.CharField(max_length=150, allow_blank=True, default="", help_text="A sign-in name.")
    note = serializers.CharField(max_length=200, allow_blank=True, default="")


class AssignIn(serializers.Serializer[object]):
    """Who is to hold the track."""

    to = serializers.CharField(max_length=150, help_text="A sign-in name.")
    note = serializers.CharField(max_length=200, allow_blank=True, default="")


class ClaimOfTrack(CrewEndpoint):
    """The hold on a track."""

    @extend_schema(operation_id="get_claim", responses=HoldOut, tags=["claims"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """Who holds the track now; `claim` is null where nobody does."""
        claim = live_claim(track_for(self.member, track))
        return Response({"claim": None if claim is None else ClaimOut(claim).data})

    @extend_schema(operation_id="claim", request=ClaimIn, responses=ClaimOut, tags=["claims"])
    def post(self, request: Request, crew: str, track: UUID) -> Response:
        """Hold the track for two hours, renew one's hold, or take it over with a note."""
        found, given = track_for(self.member, track), self.read(ClaimIn, request)
        if not given["take_over_from"]:
            return Response(ClaimOut(claim_track(member=self.member, track=found)).data)
        holder = self._member(given["take_over_from"])
        if holder is None:
            raise Conflict("claim:moved-on")
        claim = take_over(member=self.member, track=found, seen_holder=holder.user_id, note=given["note"])
        return Response(ClaimOut(claim).data)

    @extend_schema(operation_id="assign_claim", request=AssignIn, responses=ClaimOut, tags=["claims"])
    def put(self, request: Request, crew: str, track: UUID) -> Response:
        """Give the track to a member (leads)."""
        found, given = track_for(self.member, track), self.read(AssignIn, request)
        to = self._member(given["to"])
        if to is None:
            raise NotFound
        return Response(ClaimOut(assign_track(member=self.member, track=found, to=to, note=given["note"])).data)

    @extend_schema(operation_id="release_claim", responses={204: None}, tags=["claims"])
    def delete(self, request: Request, crew: str, track: UUID) -> Response:
        """Let the track go (its holder, or a lead)."""
        release_track(member=self.member, track=track_for(self.member, track))
        return Response(status=204)

    def _member(self, username: str) -> Membership | None:
        return members_of(self.member).filter(user__username=username).first()
