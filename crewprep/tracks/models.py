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
    tags_edited = models.BooleanField(default=False)
    """Whether a member wrote title and artist, so that no later analysis takes them from the file again."""
    same_as = models.ForeignKey("self", null=True, on_delete=models.CASCADE, related_name="folded")
    """The track that this one was folded into, as its samples are the same; then it is refused and in no crate."""

    class Meta:
        ordering = ["title"]
        indexes = [models.Index(fields=["crew", "title"], name="track_by_crew")]

    def __str__(self) -> str:
        return f"{self.artist} – {self.title}" if self.artist else self.title


class AudioKind(models.TextChoices):
    """What a digest was taken of."""

    FILE = "file", "The file as it was uploaded"
    DECODE = "decode", "The samples of its decode"


class KnownAudio(CrewRow):
    """Audio that a crew has already, by its digest, and the track it belongs to; the first to bring it in.

    Once per crew and digest, so that of two uploads at the same moment one becomes the track.
    """

    track = models.ForeignKey(Track, on_delete=models.CASCADE, related_name="known_audio")
    kind = models.CharField(max_length=6, choices=AudioKind.choices)
    digest = models.CharField(max_length=100)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "kind", "digest"], name="known_audio_once_per_crew")]

    def __str__(self) -> str:
        return f"{self.kind} {self.digest[:12]} of {self.track_id}"


class Copy(CrewRow):
    """An encoding of a track. The reference copy is the audio that was analysed; its decode sets time zero.

    ``audio_key`` names the original as it was uploaded, ``proxy_key`` the listening copy made by the worker from the
    canonical decode, so that a browser hears the same time zero, ``peaks_key`` what is drawn of it
    (``analysis_worker.core.peaks``). All but the first, and the decode's fields, are empty until a worker has been
    there.

    The first reference copy sets time zero for good. A moment of a later copy lies ``offset_us`` later on that
    timeline, whose length is ``timeline_frames`` at 44.1 kHz (empty for a copy that began one); its listening copy is
    cut and padded to it, so that stored times are true on either. ``gain_db`` is its level above the analysed copy's.
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
    timeline_frames = models.PositiveBigIntegerField(null=True)
    gain_db = models.FloatField(default=0.0)

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
