"""Stored analyses."""

from __future__ import annotations

from functools import cached_property
from typing import Any

from django.db import models

from analysis_worker.core.results import TrackAnalysis
from crewprep.common.models import CrewRow


class Analysis(CrewRow):
    """What one run of the analysis found, or what a member made of it. Never changes; times are integer microseconds of
    the canonical decode.

    A correction names its author (``made_by``), the analysis that it ``follows`` (at most one does), and in words what
    was done; measured ones have none of the three.

    ``facts`` is ``TrackAnalysis.to_facts()``; the other columns repeat what lists show and filters ask for.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="analyses")
    job = models.OneToOneField("crewprep.Job", null=True, on_delete=models.SET_NULL, related_name="analysis")
    engine = models.CharField(max_length=20)
    pcm_sha256 = models.CharField(max_length=64)
    duration_us = models.BigIntegerField()
    tempo_bpm = models.FloatField(null=True)
    steady = models.BooleanField()
    grid_confidence = models.FloatField(default=1.0)
    key_name = models.CharField(max_length=12, blank=True)
    loudness_lufs = models.FloatField(null=True)
    true_peak_dbtp = models.FloatField(null=True)
    facts = models.JSONField()
    thumbnail = models.JSONField(default=dict, blank=True)
    """``thumbnail_of`` the facts, as lists do not read these; empty for analyses of before it was drawn."""
    made_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    follows = models.OneToOneField("self", null=True, on_delete=models.CASCADE, related_name="followed_by")
    correction = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-created_at"]
        indexes = [models.Index(fields=["track", "-created_at"], name="analysis_by_track")]

    def __str__(self) -> str:
        return f"analysis of {self.track_id} by engine {self.engine}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing analysis is refused."""
        if not self._state.adding:
            raise TypeError("A stored analysis never changes; a new run makes a new one.")
        super().save(*args, **kwargs)

    @cached_property
    def result(self) -> TrackAnalysis:
        """The facts as typed values."""
        return TrackAnalysis.from_facts(self.facts)
