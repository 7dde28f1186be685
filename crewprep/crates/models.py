"""Nights, crates and the tracks in them."""

from __future__ import annotations

from django.db import models

from crewprep.common.models import CrewRow, Row


class Night(CrewRow):
    """A dated event that a crate must be ready for."""

    name = models.CharField(max_length=80)
    date = models.DateField()

    class Meta:
        ordering = ["date"]

    def __str__(self) -> str:
        return f"{self.name}, {self.date:%d %b %Y}"


class Crate(CrewRow):
    """A named set of tracks to get ready, usually for one night."""

    name = models.CharField(max_length=80)
    night = models.ForeignKey(Night, null=True, blank=True, on_delete=models.SET_NULL, related_name="crates")
    convention_version = models.ForeignKey(
        "crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="crates"
    )
    tracks = models.ManyToManyField("crewprep.Track", through="crewprep.CrateTrack", related_name="crates")
    made_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "name"], name="crate_name_once_per_crew")]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return self.name


class CrateTrack(Row):
    """A track's place in a crate."""

    crate = models.ForeignKey(Crate, on_delete=models.CASCADE, related_name="places")
    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="places")
    position = models.PositiveIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crate", "track"], name="track_once_per_crate")]
        ordering = ["position", "created_at"]

    def __str__(self) -> str:
        return f"{self.position} {self.track}"
