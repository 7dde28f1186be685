"""The job table."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone

from crewprep.common.models import CrewRow


class JobKind(models.TextChoices):
    """What a worker can be asked for."""

    ANALYSE = "analyse", "Analyse a track"
    DRAFT = "draft", "Draft a sheet"
    COMPARE = "compare", "Compare a copy"


class JobState(models.TextChoices):
    """Where a job stands. ``failed``: the input cannot be used. ``dead``: given up, a member may retry."""

    QUEUED = "queued", "Waiting"
    LEASED = "leased", "Running"
    DONE = "done", "Done"
    FAILED = "failed", "Refused"
    DEAD = "dead", "Given up"
    CANCELLED = "cancelled", "Cancelled"


LIVE_STATES = (JobState.QUEUED, JobState.LEASED)


class Job(CrewRow):
    """One piece of work on one track.

    ``token`` is new at every claim and fences the finish: a worker that slept past its lease holds an old one.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="jobs")
    kind = models.CharField(max_length=20, choices=JobKind.choices)
    input_sha256 = models.CharField(max_length=64)
    params = models.JSONField(default=dict)
    params_hash = models.CharField(max_length=64)
    asked_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")

    state = models.CharField(max_length=10, choices=JobState.choices, default=JobState.QUEUED)
    stage = models.CharField(max_length=60, blank=True, default="")
    attempt = models.PositiveSmallIntegerField(default=0)
    token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    available_at = models.DateTimeField(default=timezone.now)
    rung_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    error_code = models.CharField(max_length=60, blank=True, default="")
    error_detail = models.TextField(blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["track", "kind", "input_sha256", "params_hash"],
                condition=Q(state__in=["queued", "leased"]),
                name="job_one_live_per_request",
            ),
            models.CheckConstraint(
                condition=~Q(state="leased") | Q(token__isnull=False, lease_until__isnull=False),
                name="job_leased_has_token",
            ),
        ]
        indexes = [
            models.Index(fields=["state", "available_at"], name="job_waiting"),
            models.Index(fields=["track", "-created_at"], name="job_by_track"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.track_id} ({self.state})"
