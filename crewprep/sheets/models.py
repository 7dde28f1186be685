"""Markers, drafts and sheet versions."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import F, Q

from crewprep.common.models import CrewRow, Row


class MarkerFields(Row):
    """A point (``end_us`` empty) or a loop on a track's timeline that fills a slot of the convention."""

    slot = models.PositiveSmallIntegerField()
    start_us = models.BigIntegerField()
    end_us = models.BigIntegerField(null=True, blank=True)
    label = models.CharField(max_length=60, blank=True, default="")

    class Meta:
        abstract = True
        ordering = ["slot"]
        constraints = [
            models.CheckConstraint(
                condition=Q(start_us__gte=0) & (Q(end_us__isnull=True) | Q(end_us__gt=F("start_us"))),
                name="%(class)s_times_in_order",
            )
        ]

    def __str__(self) -> str:
        return f"{self.slot} at {self.start_us} µs"


class Draft(CrewRow):
    """What the analysis suggests for one track under one convention version.

    ``empty`` lists the slots left open with the reason: ``[{"slot": 5, "reason": "…"}]``.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="drafts")
    analysis = models.ForeignKey("crewprep.Analysis", on_delete=models.CASCADE, related_name="drafts")
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    empty = models.JSONField(default=list)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["analysis", "convention_version"], name="draft_once_per_analysis_and_rules")
        ]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"draft of {self.track_id}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing draft is refused."""
        if not self._state.adding:
            raise TypeError("A draft never changes; a new analysis makes a new one.")
        super().save(*args, **kwargs)


class DraftMarker(MarkerFields):
    """A suggested marker with its confidence (0 to 1) and one reason in words."""

    draft = models.ForeignKey(Draft, on_delete=models.CASCADE, related_name="markers")
    confidence = models.FloatField()
    reason = models.CharField(max_length=300)

    class Meta(MarkerFields.Meta):
        constraints = [
            *MarkerFields.Meta.constraints,
            models.UniqueConstraint(fields=["draft", "slot"], name="draft_slot_once"),
        ]


class SheetVersion(CrewRow):
    """An approved sheet. Numbers count approvals of one track; the highest is the track's sheet. Never changes."""

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="sheet_versions")
    number = models.PositiveIntegerField()
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    analysis = models.ForeignKey("crewprep.Analysis", on_delete=models.PROTECT, related_name="+")
    proposed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    findings = models.JSONField(null=True)
    """What the house checks found when it was approved, each as ``{"check", "slot", "sentence"}`` whatever its severity
    was; None where nobody has checked it (``manage.py recheck_sheets``)."""
    digest = models.CharField(max_length=64, blank=True, default="")
    """SHA-256 of what was approved (``review.content``); empty where it was approved before that was kept."""

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["track", "number"], name="sheet_number_once_per_track"),
            models.CheckConstraint(
                condition=~Q(approved_by=F("proposed_by")), name="sheet_never_approved_by_its_author"
            ),
        ]
        indexes = [models.Index(fields=["track", "convention_version", "created_at"], name="sheet_by_track_and_rules")]
        ordering = ["-number"]

    def __str__(self) -> str:
        return f"sheet {self.number} of {self.track_id}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing version is refused."""
        if not self._state.adding:
            raise TypeError("An approved sheet never changes; a new approval makes a new version.")
        super().save(*args, **kwargs)


class SheetMarker(MarkerFields):
    """A marker of an approved sheet."""

    sheet = models.ForeignKey(SheetVersion, on_delete=models.CASCADE, related_name="markers")

    class Meta(MarkerFields.Meta):
        constraints = [
            *MarkerFields.Meta.constraints,
            models.UniqueConstraint(fields=["sheet", "slot"], name="sheet_slot_once"),
        ]

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing marker is refused."""
        if not self._state.adding:
            raise TypeError("A marker of an approved sheet never changes.")
        super().save(*args, **kwargs)


class CountedSheet(CrewRow):
    """That a track has a sheet which counts under a convention version, and since when: what lists, counts and boards
    ask by the thousand. ``counting`` decides it and can rebuild it."""

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.CASCADE, related_name="+")
    since = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["track", "convention_version"], name="counted_sheet_once_per_track_and_rules"
            )
        ]

    def __str__(self) -> str:
        return f"{self.track_id} since {self.since:%Y-%m-%d}"


class CheckSetting(CrewRow):
    """How severe a crew takes one house check, where it differs from what the check says of itself."""

    check_code = models.CharField(max_length=20)
    severity = models.CharField(max_length=10)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "check_code"], name="check_setting_once_per_crew")]

    def __str__(self) -> str:
        return f"{self.check_code}: {self.severity}"


class KeptSheet(CrewRow):
    """What a member has changed on a track and not proposed yet, kept every few seconds; theirs alone.

    ``revision`` counts writings, so that two windows of one member notice each other. ``begun_from`` names what lay on
    the desk when the work began; where something else lies there now, the work is offered instead of put back.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.CASCADE, related_name="+")
    member = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    begun_from = models.CharField(max_length=120)
    markers = models.JSONField(default=list)
    note = models.CharField(max_length=500, blank=True)
    revision = models.PositiveIntegerField(default=1)
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["track", "convention_version", "member"], name="kept_sheet_once_per_member_and_rules"
            )
        ]

    def __str__(self) -> str:
        return f"kept for {self.member_id}"


class RecheckEnd(models.TextChoices):
    """How a re-check was closed."""

    SHEET = "sheet", "New sheet approved"
    STILL_RIGHT = "still right", "Still right"
    REPLACED = "replaced", "Sheet replaced"


class Recheck(CrewRow):
    """A sheet whose meaning a convention version changes: somebody must look at it.

    Open until a sheet by that version (or a later one) is approved, or a member says with a note that it is still
    right.
    ``reasons`` say why, each as ``{"kind", "slot", "sentence"}``.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")
    sheet = models.ForeignKey(SheetVersion, on_delete=models.CASCADE, related_name="rechecks")
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    reasons = models.JSONField()
    ended = models.CharField(max_length=12, choices=RecheckEnd.choices, blank=True, default="")
    closed_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=300, blank=True, default="")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["sheet", "convention_version"], name="recheck_once_per_sheet_and_rules"),
            models.CheckConstraint(
                condition=Q(ended="", closed_by__isnull=True, closed_at__isnull=True)
                | (~Q(ended="") & Q(closed_by__isnull=False, closed_at__isnull=False)),
                name="recheck_closed_by_somebody",
            ),
        ]
        indexes = [models.Index(fields=["convention_version", "ended"], name="recheck_open_of_version")]
        ordering = ["created_at"]

    def __str__(self) -> str:
        return f"re-check of {self.sheet_id}"
