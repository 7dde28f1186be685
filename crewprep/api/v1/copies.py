"""Copies of a track: which there are, a better one, and back to an earlier one."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, listed
from crewprep.api.v1.jobs import JobOut
from crewprep.api.v1.tracks import CopyOut
from crewprep.common.errors import Invalid
from crewprep.tracks.copies import copy_for, offer_copy, use_copy
from crewprep.tracks.selectors import copies_of, track_for


class Copies(CrewEndpoint):
    """The copies of a track."""

    parser_classes = [MultiPartParser]

    @extend_schema(operation_id="list_copies", responses=CopyOut(many=True), tags=["tracks"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """All copies, the reference copy first."""
        return Response(listed(CopyOut, copies_of(track_for(self.member, track))))

    @extend_schema(
        operation_id="offer_copy",
        request={
            "multipart/form-data": {
                "type": "object",
                "required": ["audio"],
                "properties": {"audio": {"type": "string", "format": "binary"}},
            }
        },
        responses={202: JobOut},
        tags=["tracks"],
    )
    def post(self, request: Request, crew: str, track: UUID) -> Response:
        """Upload a better copy. A worker lays it on the track's timeline and puts it in place (leads and residents).

        Sheets, drafts and grid stay as they are. The job ends `failed` with a code of `copy:` where the copy is another
        piece, another edit, or runs at another speed.
        """
        found = track_for(self.member, track)
        files = request.FILES.getlist("audio")
        if len(files) != 1:
            raise Invalid("upload:name-missing")
        return Response(JobOut(offer_copy(member=self.member, track=found, upload=files[0])).data, status=202)


class UseCopy(CrewEndpoint):
    """Another reference copy."""

    @extend_schema(operation_id="use_copy", request=None, responses=CopyOut, tags=["tracks"])
    def post(self, request: Request, crew: str, track: UUID, copy: UUID) -> Response:
        """Make a copy that lies on the track's timeline already the reference copy (leads and residents)."""
        found = track_for(self.member, track)
        chosen = copy_for(found, copy)
        use_copy(member=self.member, track=found, copy=chosen)
        return Response(CopyOut(copy_for(found, copy)).data)
