"""What the workers do with a track."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.tracks.work import job_for, retry_work


class JobOut(serializers.Serializer[Job]):
    """A job. `failed`: the audio cannot be used; `dead`: given up, and may be retried."""

    id = serializers.UUIDField()
    track = serializers.UUIDField(source="track_id")
    kind = serializers.ChoiceField(choices=JobKind.choices)
    state = serializers.ChoiceField(choices=JobState.choices)
    stage = serializers.CharField(help_text="What a worker is doing at the moment, in words; empty where none is.")
    attempt = serializers.IntegerField()
    error_code = serializers.CharField()
    error_detail = serializers.CharField()
    asked_at = serializers.DateTimeField(source="created_at")
    finished_at = serializers.DateTimeField(allow_null=True)


class OneJob(CrewEndpoint):
    """One job."""

    @extend_schema(operation_id="get_job", responses=JobOut, tags=["jobs"])
    def get(self, request: Request, crew: str, job: UUID) -> Response:
        """Where a job stands."""
        return Response(JobOut(job_for(self.member, job)).data)


class Retry(CrewEndpoint):
    """Another try of a job that was given up."""

    @extend_schema(operation_id="retry_job", request=None, responses={202: JobOut}, tags=["jobs"])
    def post(self, request: Request, crew: str, job: UUID) -> Response:
        """Try again (leads and residents)."""
        again = retry_work(member=self.member, job=job_for(self.member, job))
        return Response(JobOut(again).data, status=202)
