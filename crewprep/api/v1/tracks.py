"""Tracks: where they stand, what was measured, what was drafted."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.errors import WARNINGS
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.api.base import CrewEndpoint, Pages, listed, several
from crewprep.api.facts import analysis_schema
from crewprep.api.v1.jobs import JobOut
from crewprep.api.v1.people import person_field
from crewprep.common.errors import Invalid, NotFound
from crewprep.common.messages import sentence_for
from crewprep.conventions.selectors import convention_version_for, current_version
from crewprep.crates.selectors import crate_for
from crewprep.onboarding.draft_figures import weak_places, weak_sentence
from crewprep.onboarding.sights import see_markers
from crewprep.review.models import Proposal
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.models import Draft, DraftMarker
from crewprep.sheets.progress import TrackProgress, progress_of
from crewprep.sheets.selectors import current_draft
from crewprep.tracks.known import same_audio
from crewprep.tracks.models import Copy, Track, TrackState
from crewprep.tracks.selectors import reference_copy, track_for, tracks_of
from crewprep.tracks.tags import Tags, edit_tags


class TrackQuery(serializers.Serializer[object]):
    """Which tracks to list."""

    state = serializers.ChoiceField(choices=TrackState.choices, required=False)
    crate = serializers.UUIDField(required=False, help_text="Only tracks of this crate.")


class ReasonOut(serializers.Serializer[object]):
    """A code with its sentence."""

    code = serializers.CharField()
    detail = serializers.CharField()


class AnalysisSummaryOut(serializers.Serializer[Analysis]):
    """The figures that lists show."""

    engine = serializers.CharField()
    duration_s = serializers.SerializerMethodField()
    tempo_bpm = serializers.FloatField(allow_null=True)
    steady = serializers.BooleanField()
    key = serializers.CharField(source="key_name", help_text="Such as A minor; empty where none was found.")
    loudness_lufs = serializers.FloatField(allow_null=True)
    true_peak_dbtp = serializers.FloatField(allow_null=True)
    measured_at = serializers.DateTimeField(source="created_at")

    def get_duration_s(self, analysis: Analysis) -> float:
        """Seconds."""
        return analysis.duration_us / 1_000_000


class TrackOut(serializers.Serializer[TrackProgress]):
    """A track and where the workers stand with it."""

    id = serializers.UUIDField(source="track.id")
    title = serializers.CharField(source="track.title")
    artist = serializers.CharField(source="track.artist")
    state = serializers.ChoiceField(source="track.state", choices=TrackState.choices)
    refusal = serializers.SerializerMethodField()
    warnings = serializers.SerializerMethodField()
    added_at = serializers.DateTimeField(source="track.created_at")
    job = JobOut(allow_null=True)
    analysis = AnalysisSummaryOut(allow_null=True)
    sheet_version = serializers.IntegerField(allow_null=True, help_text="Number of the approved sheet, if any.")
    same_as = serializers.UUIDField(
        source="track.same_as_id", allow_null=True, help_text="The track with the same samples that this one went into."
    )

    @extend_schema_field(ReasonOut(allow_null=True))
    def get_refusal(self, progress: TrackProgress) -> dict[str, str] | None:
        """Why the audio cannot be used."""
        code = progress.track.refusal_code
        return {"code": code, "detail": sentence_for(code)} if code else None

    @extend_schema_field(ReasonOut(many=True))
    def get_warnings(self, progress: TrackProgress) -> list[dict[str, str]]:
        """What to know about the audio."""
        return [{"code": code, "detail": sentence_for(code)} for code in progress.track.warnings if code in WARNINGS]


class CopyOut(serializers.Serializer[Copy]):
    """A copy of a track. The reference copy is what members hear."""

    id = serializers.UUIDField()
    is_reference = serializers.BooleanField()
    original_name = serializers.CharField()
    format = serializers.CharField()
    size_bytes = serializers.IntegerField()
    sha256 = serializers.CharField()
    pcm_sha256 = serializers.CharField(help_text="Empty until a worker has decoded it.")
    sample_rate = serializers.IntegerField(allow_null=True)
    channels = serializers.IntegerField(allow_null=True)
    offset_us = serializers.IntegerField(
        help_text="Where its first sample lies on the track's timeline: 0 for the copy that set time zero."
    )
    gain_db = serializers.FloatField(help_text="Its level above that of the analysed copy.")


class TagsIn(serializers.Serializer[object]):
    """Title and artist from now on, and those that the caller saw, so that nobody's change is lost."""

    title = serializers.CharField(max_length=200)
    artist = serializers.CharField(max_length=200, allow_blank=True)
    seen_title = serializers.CharField(max_length=200)
    seen_artist = serializers.CharField(max_length=200, allow_blank=True)


class TrackDetailOut(TrackOut):
    """A track with its audio, who added it, and the proposal that waits for a verdict."""

    added_by = person_field(source="track.added_by", allow_null=True)
    tags_edited = serializers.BooleanField(
        source="track.tags_edited", help_text="Whether a member wrote the tags; then no analysis changes them."
    )
    audio = serializers.SerializerMethodField()
    same_audio = serializers.SerializerMethodField()
    pending_proposal = serializers.SerializerMethodField()

    @extend_schema_field(CopyOut)
    def get_audio(self, progress: TrackProgress) -> dict[str, Any]:
        """The reference copy."""
        return dict(CopyOut(reference_copy(progress.track)).data)

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_same_audio(self, progress: TrackProgress) -> list[UUID]:
        """Other tracks of the crew whose samples are the same; they came before the crew's audio was compared."""
        return [twin.pk for twin in same_audio(progress.track)]

    @extend_schema_field(serializers.UUIDField(allow_null=True))
    def get_pending_proposal(self, progress: TrackProgress) -> UUID | None:
        """The open or returned proposal."""
        proposal: Proposal | None = pending_proposal(progress.track)
        return proposal.pk if proposal else None


class DraftMarkerOut(serializers.Serializer[DraftMarker]):
    """A suggested marker."""

    slot = serializers.IntegerField()
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True)
    confidence = serializers.FloatField(help_text="0 to 1.")
    reason = serializers.CharField()
    warning = serializers.SerializerMethodField(
        help_text="Where the crew has seldom kept what this engine drafts for such a slot: a sentence; else empty."
    )

    def get_warning(self, marker: DraftMarker) -> str:
        """From the figures on drafts."""
        warnings: dict[int, str] = self.context.get("warnings", {})
        return warnings.get(marker.slot, "")


class EmptySlotOut(serializers.Serializer[object]):
    """A slot left open."""

    slot = serializers.IntegerField()
    reason = serializers.CharField()


class DraftOut(serializers.Serializer[Draft]):
    """What the analysis suggests under one convention version."""

    convention = serializers.UUIDField(source="convention_version_id")
    drafted_at = serializers.DateTimeField(source="created_at")
    markers = several(DraftMarkerOut, source="markers.all")
    empty = several(EmptySlotOut)


class DraftQuery(serializers.Serializer[object]):
    """Under which convention."""

    convention = serializers.UUIDField(
        required=False, help_text="A published version; the crew's newest where it is left out."
    )


class Tracks(CrewEndpoint):
    """The crew's library."""

    pagination_class = Pages

    @extend_schema(operation_id="list_tracks", parameters=[TrackQuery], responses=TrackOut(many=True), tags=["tracks"])
    def get(self, request: Request, crew: str) -> Response:
        """The library by title, a page at a time."""
        wanted = self.read_query(TrackQuery, request)
        tracks = tracks_of(self.member)
        if "crate" in wanted:
            tracks = tracks.filter(crates=crate_for(self.member, wanted["crate"]))
        if "state" in wanted:
            tracks = tracks.filter(state=wanted["state"])
        pages = Pages()
        shown: list[Track] = pages.paginate_queryset(tracks, request, view=self) or []
        return pages.get_paginated_response(listed(TrackOut, progress_of(shown)))


class OneTrack(CrewEndpoint):
    """One track."""

    @extend_schema(operation_id="get_track", responses=TrackDetailOut, tags=["tracks"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """A track and where it stands."""
        return Response(TrackDetailOut(progress_of([track_for(self.member, track)])[0]).data)


class TagsOfTrack(CrewEndpoint):
    """What is written of a track."""

    @extend_schema(operation_id="edit_tags", request=TagsIn, responses=TrackDetailOut, tags=["tracks"])
    def put(self, request: Request, crew: str, track: UUID) -> Response:
        """Write title and artist (leads, residents, and whoever brought the track in)."""
        found = track_for(self.member, track)
        given = self.read(TagsIn, request)
        seen, new = Tags(given["seen_title"], given["seen_artist"]), Tags.of(given["title"], given["artist"])
        edit_tags(member=self.member, track=found, seen=seen, new=new)
        return Response(TrackDetailOut(progress_of([found])[0]).data)


class AnalysisOfTrack(CrewEndpoint):
    """What was measured."""

    @extend_schema(operation_id="get_analysis", responses={200: analysis_schema()}, tags=["tracks"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """All facts of the newest analysis, times in seconds from the first sample of the canonical decode."""
        analysis = current_analysis(track_for(self.member, track))
        if analysis is None:
            raise NotFound("analysis:none")
        return Response(analysis.result.to_document())


class DraftOfTrack(CrewEndpoint):
    """What was drafted."""

    @extend_schema(operation_id="get_draft", parameters=[DraftQuery], responses=DraftOut, tags=["tracks"])
    def get(self, request: Request, crew: str, track: UUID) -> Response:
        """The draft from the newest analysis under a convention."""
        found = track_for(self.member, track)
        named = self.read_query(DraftQuery, request).get("convention")
        version = convention_version_for(self.member, named) if named else current_version(self.member)
        if version is None:
            raise Invalid("convention:none")
        draft = current_draft(found, version)
        if draft is None:
            raise NotFound("draft:none")
        see_markers(self.member, found.pk)
        weak = weak_places(self.member.crew_id, draft.analysis.engine)
        places = ((slot.number, (slot.function, slot.which)) for slot in version.slots.all())
        warnings = {number: weak_sentence(weak[place]) for number, place in places if place in weak}
        return Response(DraftOut(draft, context={"warnings": warnings}).data)
