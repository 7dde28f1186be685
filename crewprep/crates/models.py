"""Nights, crates and the tracks in them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import models
from django.db.models import Q
from django.utils import timezone

from crewprep.common.models import CrewRow, Row


class Night(CrewRow):
    """A dated event that a crate must be ready for.

    ``date`` and ``doors_at`` are told by the clocks of ``time_zone`` (an IANA name); ``ready_by`` is the moment until
    which everything should be prepared, where the crew has set one. ``revision`` counts changes.
    """

    name = models.CharField(max_length=80)
    date = models.DateField()
    doors_at = models.TimeField(null=True, blank=True)
    time_zone = models.CharField(max_length=64, default="UTC")
    ready_by = models.DateTimeField(null=True, blank=True)
    revision = models.PositiveIntegerField(default=1)
    changed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew", "name", "date"], name="night_once_per_name_and_date"),
            models.CheckConstraint(condition=Q(revision__gte=1), name="night_revision_from_1"),
        ]
        ordering = ["date"]

    def __str__(self) -> str:
        return f"{self.name}, {self.date:%d %b %Y}"

    @property
    def zone(self) -> ZoneInfo:
        """The clocks of the night."""
        return ZoneInfo(self.time_zone)

    @property
    def doors(self) -> dt.datetime | None:
        """When the doors open, where the crew has said so."""
        return None if self.doors_at is None else dt.datetime.combine(self.date, self.doors_at, self.zone)

    @property
    def due_on(self) -> dt.date:
        """The day until which everything should be prepared: that of the deadline, or of the night itself."""
        return self.date if self.ready_by is None else self.ready_by.astimezone(self.zone).date()

    def today(self) -> dt.date:
        """Which day it is by the night's clocks."""
        return timezone.now().astimezone(self.zone).date()

    @property
    def days_left(self) -> int:
        """Whole days from today to ``due_on``; 0 on the day itself, below 0 after it."""
        return (self.due_on - self.today()).days


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
        indexes = [models.Index(fields=["crate", "position", "created_at"], name="crate_track_in_order")]
        ordering = ["position", "created_at"]

    def __str__(self) -> str:
        return f"{self.position} {self.track}"
