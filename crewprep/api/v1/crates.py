"""Crates, and bringing audio into them."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, listed
from crewprep.api.v1.convention_drafts import EffectOut
from crewprep.api.v1.conventions import ConventionSummaryOut
from crewprep.api.v1.people import person_field
from crewprep.api.v1.tracks import TrackOut
from crewprep.common.errors import Invalid
from crewprep.conventions.selectors import convention_version_for, current_version
from crewprep.crates.models import Crate
from crewprep.crates.selectors import crate_for, places_of
from crewprep.crates.services import make_crate
from crewprep.sheets.affected import effect_on_crate
from crewprep.sheets.progress import progress_of
from crewprep.sheets.publishing import move_crate
from crewprep.sheets.selectors import crates_with_sheets
from crewprep.sheets.services import bring_in


class CrateIn(serializers.Serializer[object]):
    """A crate to make."""

    name = serializers.CharField(max_length=80)
    convention = serializers.UUIDField(
        allow_null=True, default=None, help_text="A published version; the crew's newest where it is left out."
    )
    night = serializers.DateField(allow_null=True, default=None, help_text="The date it must be ready for.")


class CrateSummaryOut(serializers.Serializer[Crate]):
    """A crate in a list."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    night = serializers.DateField(source="night.date", default=None, allow_null=True)
    convention = serializers.UUIDField(source="convention_version_id")
    track_count = serializers.IntegerField()
    sheet_count = serializers.IntegerField(help_text="Tracks whose sheet counts under the crate's version.")
    made_at = serializers.DateTimeField(source="created_at")


class CrateOut(serializers.Serializer[Crate]):
    """A crate with its tracks in order."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    night = serializers.DateField(source="night.date", default=None, allow_null=True)
    convention = ConventionSummaryOut(source="convention_version")
    made_by = person_field(allow_null=True)
    made_at = serializers.DateTimeField(source="created_at")
    tracks = serializers.SerializerMethodField()

    @extend_schema_field(TrackOut(many=True))
    def get_tracks(self, crate: Crate) -> list[dict[str, object]]:
        """The tracks in order."""
        tracks = [place.track for place in places_of(crate)]
        return listed(TrackOut, progress_of(tracks))


class Crates(CrewEndpoint):
    """The crew's crates."""

    @extend_schema(operation_id="list_crates", responses=CrateSummaryOut(many=True), tags=["crates"])
    def get(self, request: Request, crew: str) -> Response:
        """Every crate, newest first."""
        return Response(listed(CrateSummaryOut, crates_with_sheets(self.member)))

    @extend_schema(operation_id="make_crate", request=CrateIn, responses={201: CrateOut}, tags=["crates"])
    def post(self, request: Request, crew: str) -> Response:
        """Make a crate, pinned to a convention version (leads and residents)."""
        given = self.read(CrateIn, request)
        named = given["convention"]
        version = current_version(self.member) if named is None else convention_version_for(self.member, named)
        crate = make_crate(
            member=self.member, name=given["name"], convention_version=version, night_date=given["night"]
        )
        return Response(CrateOut(crate).data, status=201)


class OneCrate(CrewEndpoint):
    """One crate."""

    @extend_schema(operation_id="get_crate", responses=CrateOut, tags=["crates"])
    def get(self, request: Request, crew: str, crate: UUID) -> Response:
        """A crate with its tracks and where the workers stand with them."""
        return Response(CrateOut(crate_for(self.member, crate)).data)


class MoveQuery(serializers.Serializer[object]):
    """Where to."""

    to = serializers.UUIDField(required=False, help_text="A published version; the crew's newest where it is left out.")


class MoveIn(serializers.Serializer[object]):
    """Where to, and from where, so that of two who move a crate at once one is told."""

    to = serializers.UUIDField()
    seen = serializers.UUIDField(help_text="The version that the crate was seen to follow.")


class MoveOfCrate(CrewEndpoint):
    """Moving a crate to another version of the convention."""

    @extend_schema(operation_id="preview_crate_move", parameters=[MoveQuery], responses=EffectOut, tags=["crates"])
    def get(self, request: Request, crew: str, crate: UUID) -> Response:
        """What the move would do to the approved sheets of its tracks; nothing is changed."""
        found = crate_for(self.member, crate)
        named = self.read_query(MoveQuery, request).get("to")
        version = convention_version_for(self.member, named) if named else current_version(self.member)
        return Response(EffectOut(effect_on_crate(found, version or found.convention_version)).data)

    @extend_schema(operation_id="move_crate", request=MoveIn, responses=CrateOut, tags=["crates"])
    def post(self, request: Request, crew: str, crate: UUID) -> Response:
        """Move it: drafts are made, and the touched sheets go on the re-check list (leads and residents)."""
        found = crate_for(self.member, crate)
        given = self.read(MoveIn, request)
        version, seen = (convention_version_for(self.member, given[name]) for name in ("to", "seen"))
        move_crate(member=self.member, crate=found, version=version, seen_version=seen)
        return Response(CrateOut(crate_for(self.member, crate)).data)


class Uploads(CrewEndpoint):
    """Audio for a crate."""

    parser_classes = [MultiPartParser]

    @extend_schema(
        operation_id="upload_track",
        request={
            "multipart/form-data": {
                "type": "object",
                "required": ["audio"],
                "properties": {"audio": {"type": "string", "format": "binary"}},
            }
        },
        responses={200: TrackOut, 202: TrackOut},
        tags=["crates"],
    )
    def post(self, request: Request, crew: str, crate: UUID) -> Response:
        """Upload one file; a worker analyses it. The answer names the job to watch (leads and residents).

        200 tells that the crew has this very file already: its track is in the crate now. Where only the decode shows
        it, the worker folds the new track, and `same_as` names the one to go on with.
        """
        into = crate_for(self.member, crate)
        files = request.FILES.getlist("audio")
        if len(files) != 1:
            raise Invalid("upload:name-missing")
        done = bring_in(member=self.member, crate=into, upload=files[0])
        return Response(TrackOut(progress_of([done.track])[0]).data, status=202 if done.is_new else 200)
