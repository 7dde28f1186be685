"""Tracks and copies."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from crewprep.common.models import CrewRow


class TrackState(models.TextChoices):
    """Where a track stands with the workers."""

    CHECKING = "checking", "Being analysed"
    READY = "ready", "Ready"
    REFUSED = "refused", "Refused"


class Track(CrewRow):
    """A piece of music in the crew's library."""

    title = models.CharField(max_length=200)
    artist = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=TrackState.choices, default=TrackState.CHECKING)
    refusal_code = models.CharField(max_length=60, blank=True, default="")
    warnings = models.JSONField(default=list, blank=True)
    added_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["title"]
        indexes = [models.Index(fields=["crew", "title"], name="track_by_crew")]

    def __str__(self) -> str:
        return f"{self.artist} – {self.title}" if self.artist else self.title


class Copy(CrewRow):
    """An encoding of a track. The reference copy is the audio that was analysed; its decode sets time zero.

    ``audio_key`` names the original as it was uploaded, ``proxy_key`` the listening copy made by the worker from the
    canonical decode, so that a browser hears the same time zero, ``peaks_key`` what is drawn of it
    (``analysis_worker.core.peaks``). All but the first, and the decode's fields, are empty until a worker has been
    there.
    """

    track = models.ForeignKey(Track, on_delete=models.CASCADE, related_name="copies")
    is_reference = models.BooleanField(default=True)
    original_name = models.CharField(max_length=200)
    format = models.CharField(max_length=10)
    size_bytes = models.PositiveBigIntegerField()
    sha256 = models.CharField(max_length=64)
    audio_key = models.CharField(max_length=200)
    proxy_key = models.CharField(max_length=200, blank=True, default="")
    peaks_key = models.CharField(max_length=200, blank=True, default="")
    offset_us = models.BigIntegerField(default=0)

    decoder = models.CharField(max_length=40, blank=True, default="")
    decoder_version = models.CharField(max_length=40, blank=True, default="")
    leading_trim_frames = models.PositiveIntegerField(null=True)
    sample_rate = models.PositiveIntegerField(null=True)
    channels = models.PositiveSmallIntegerField(null=True)
    frames = models.PositiveBigIntegerField(null=True)
    pcm_sha256 = models.CharField(max_length=64, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["track"], condition=Q(is_reference=True), name="copy_one_reference_per_track"
            )
        ]
        indexes = [models.Index(fields=["crew", "sha256"], name="copy_by_hash")]

    def __str__(self) -> str:
        return self.original_name
