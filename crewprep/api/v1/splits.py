"""Splitting a crate: estimates, a look at how it would be divided, applying it, and dividing again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, WholeNumber, seen_revision, several
from crewprep.api.v1.people import person_field
from crewprep.common.errors import NotFound
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership, User
from crewprep.preparation.estimate import Estimate, Part
from crewprep.splitting.selectors import CrateToDo, Load, Preview, Stage, as_preview, preview_of, to_do_in
from crewprep.splitting.services import MOST_MINUTES, Wanted, apply_split, split_again
from crewprep.tracks.models import Track

_IF_MATCH = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description='The revision that was seen, as `"3"`.'
)
_MOST_TRACKS = 2000
_MOST_MEMBERS = 200


@dataclass(frozen=True, slots=True)
class _Line:
    """A track of a split with its people."""

    track: Track
    stage: Stage
    estimate: Estimate
    prepare: int
    review: int
    preparer: User | None
    reviewer: User | None
    settled: str


class PartOut(serializers.Serializer[Part]):
    """A part of an estimate."""

    words = serializers.CharField()
    minutes = serializers.FloatField()


class EstimateOut(serializers.Serializer[_Line]):
    """Minutes for one track; `assumed` where it has not been analysed."""

    track = serializers.UUIDField(source="track.pk")
    title = serializers.CharField(source="track.title")
    prepare_minutes = serializers.IntegerField(source="estimate.prepare")
    review_minutes = serializers.IntegerField(source="estimate.review")
    assumed = serializers.BooleanField(source="estimate.assumed")
    parts = several(PartOut, source="estimate.parts")


class EstimatesOut(serializers.Serializer[object]):
    """Minutes for the tracks of a crate that have no sheet. `factor` corrects the sum of the parts by what the crew's
    recorded tracks took."""

    factor = serializers.FloatField(source="factor.value")
    recorded_tracks = serializers.IntegerField(source="factor.recorded")
    tracks = several(EstimateOut)


class ShareOut(serializers.Serializer[_Line]):
    """Who is to prepare and to review a track, and the minutes that are left. `settled` says why the preparer stays:
    `holds it` or `proposed it`."""

    track = serializers.UUIDField(source="track.pk")
    title = serializers.CharField(source="track.title")
    stage = serializers.ChoiceField(choices=[stage.value for stage in Stage])
    prepare_minutes = serializers.IntegerField(source="prepare")
    review_minutes = serializers.IntegerField(source="review")
    preparer = person_field(allow_null=True)
    reviewer = person_field(allow_null=True)
    settled = serializers.CharField(allow_blank=True)


class LoadOut(serializers.Serializer[Load]):
    """What a member gets, against their free minutes."""

    member = person_field(source="member.user")
    free_minutes = serializers.IntegerField(source="free")
    tracks_to_prepare = serializers.IntegerField(source="to_prepare")
    prepare_minutes = serializers.IntegerField(source="prepare")
    tracks_to_review = serializers.IntegerField(source="to_review")
    review_minutes = serializers.IntegerField(source="review")
    over_minutes = serializers.IntegerField(source="over")


class SplitOut(serializers.Serializer[object]):
    """A split, stored or only looked at. Revision 0 is a crate that was never split."""

    revision = serializers.IntegerField()
    tracks = several(ShareOut)
    members = several(LoadOut)
    without_preparer = serializers.ListField(child=serializers.UUIDField(), help_text="Tracks that fit nobody's time.")
    without_reviewer = serializers.ListField(child=serializers.UUIDField())


class FreeIn(serializers.Serializer[object]):
    """A member's free minutes."""

    member = serializers.CharField(max_length=150, help_text="A sign-in name.")
    minutes = WholeNumber(min_value=0, max_value=MOST_MINUTES)


class PreviewIn(serializers.Serializer[object]):
    """Among whom to divide. What is held or proposed always stays."""

    free = several(FreeIn, min_length=1, max_length=_MOST_MEMBERS)
    keep = serializers.BooleanField(default=True, help_text="Whether what is assigned already stays.")
    out = serializers.ListField(
        child=serializers.CharField(max_length=150), default=list, max_length=_MOST_MEMBERS,
        help_text="Sign-in names of members who drop out.",
    )  # fmt: skip


class ShareIn(serializers.Serializer[object]):
    """Who is to do a track, by sign-in names; null for nobody."""

    track = serializers.UUIDField()
    preparer = serializers.CharField(max_length=150, allow_null=True)
    reviewer = serializers.CharField(max_length=150, allow_null=True)


class SplitIn(serializers.Serializer[object]):
    """A split to apply; tracks that are left out are nobody's any more."""

    tracks = several(ShareIn, max_length=_MOST_TRACKS)
    free = several(FreeIn, max_length=_MOST_MEMBERS, default=list)


class DropOutIn(serializers.Serializer[object]):
    """Who drops out; the others' free minutes, where they are not those of the last split."""

    member = serializers.CharField(max_length=150, help_text="A sign-in name.")
    free = several(FreeIn, max_length=_MOST_MEMBERS, default=list)


class _OfCrate(CrewEndpoint):
    """What the endpoints of a split share."""

    def _to_do(self, crate: UUID) -> CrateToDo:
        return to_do_in(crate_for(self.member, crate), self.member)

    def _seen(self, request: Request, to_do: CrateToDo) -> int:
        return seen_revision(request, current=to_do.revision, code="split:other-revision")

    def _answer(self, shown: Preview) -> Response:
        names = [one.track.pk for one in shown.without_preparer], [one.track.pk for one in shown.without_reviewer]
        return Response(
            SplitOut(
                {
                    "revision": shown.to_do.revision, "tracks": _lines(shown), "members": shown.loads,
                    "without_preparer": names[0], "without_reviewer": names[1],
                }
            ).data
        )  # fmt: skip

    def _stored(self, crate: UUID) -> Response:
        to_do = self._to_do(crate)
        return self._answer(as_preview(to_do, to_do.tracks, to_do.free))


class Estimates(_OfCrate):
    """Minutes for the tracks of a crate."""

    @extend_schema(operation_id="list_estimates", responses=EstimatesOut, tags=["split"])
    def get(self, request: Request, crew: str, crate: UUID) -> Response:
        """How long each track without a sheet takes to prepare and to review, with the parts of the sum."""
        to_do = self._to_do(crate)
        lines = _lines(as_preview(to_do, to_do.tracks, {}))
        return Response(EstimatesOut({"factor": to_do.factor, "tracks": lines}).data)


class SplitOfCrate(_OfCrate):
    """Who is to do which track of a crate."""

    @extend_schema(operation_id="get_split", responses=SplitOut, tags=["split"])
    def get(self, request: Request, crew: str, crate: UUID) -> Response:
        """The split as it stands, and its revision."""
        return self._stored(crate)

    @extend_schema(
        operation_id="apply_split", request=SplitIn, responses=SplitOut, parameters=[_IF_MATCH], tags=["split"]
    )
    def put(self, request: Request, crew: str, crate: UUID) -> Response:
        """Say who is to do what (leads), over the revision that was seen."""
        to_do = self._to_do(crate)
        given, revision = self.read(SplitIn, request), self._seen(request, to_do)
        wanted = [_wanted(to_do, one) for one in given["tracks"]]
        free = _free(to_do, given["free"]) or to_do.free
        apply_split(member=self.member, crate=to_do.crate, wanted=wanted, seen_revision=revision, free=free)
        return self._stored(crate)


class PreviewOfSplit(_OfCrate):
    """How a crate would be divided."""

    @extend_schema(operation_id="preview_split", request=PreviewIn, responses=SplitOut, tags=["split"])
    def post(self, request: Request, crew: str, crate: UUID) -> Response:
        """Divide by free minutes, the longest track first; nothing is changed."""
        to_do = self._to_do(crate)
        given = self.read(PreviewIn, request)
        out = [_member(to_do, name).user_id for name in given["out"]]
        return self._answer(preview_of(to_do, _free(to_do, given["free"]), keep=given["keep"], out=out))


class DropOut(_OfCrate):
    """Dividing again when somebody drops out."""

    @extend_schema(
        operation_id="split_again", request=DropOutIn, responses=SplitOut, parameters=[_IF_MATCH], tags=["split"]
    )
    def post(self, request: Request, crew: str, crate: UUID) -> Response:
        """Give what a member has not proposed to the others (leads), over the revision that was seen."""
        to_do = self._to_do(crate)
        given, revision = self.read(DropOutIn, request), self._seen(request, to_do)
        split_again(
            member=self.member, crate=to_do.crate, out=_member(to_do, given["member"]), seen_revision=revision,
            free=_free(to_do, given["free"]) or None,
        )  # fmt: skip
        return self._stored(crate)


def _lines(shown: Preview) -> list[_Line]:
    people = {one.user_id: one.user for one in shown.to_do.members}
    return [
        _Line(
            one.track, one.stage, one.estimate, one.prepare, one.review, people.get(one.preparer or 0),
            people.get(one.reviewer or 0), one.settled,
        )
        for one in shown.tracks
    ]  # fmt: skip


def _member(to_do: CrateToDo, username: str) -> Membership:
    found = next((one for one in to_do.members if one.user.username == username), None)
    if found is None:
        raise NotFound
    return found


def _wanted(to_do: CrateToDo, given: dict[str, Any]) -> Wanted:
    return Wanted(given["track"], _user(to_do, given["preparer"]), _user(to_do, given["reviewer"]))


def _user(to_do: CrateToDo, username: str | None) -> int | None:
    return None if username is None else _member(to_do, username).user_id


def _free(to_do: CrateToDo, given: Sequence[dict[str, Any]]) -> dict[int, int]:
    return {_member(to_do, one["member"]).user_id: one["minutes"] for one in given}
