"""Lists of tracks from elsewhere, from the upload until they are applied."""

from __future__ import annotations

from django.db import models

from crewprep.common.models import CrewRow


class ListState(models.TextChoices):
    """Where a list stands."""

    OPEN = "open", "Being looked at"
    APPLIED = "applied", "Applied"
    DISCARDED = "discarded", "Discarded"


class ListImport(CrewRow):
    """A list of tracks with tags and old markers, as it was uploaded, and how its columns are read.

    ``text`` never changes; ``sha256`` is of the file as it came. ``mapping`` is a ``ListMapping``, ``counts`` what came
    of it.
    """

    made_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    encoding = models.CharField(max_length=20)
    text = models.TextField()
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    mapping = models.JSONField()
    state = models.CharField(max_length=10, choices=ListState.choices, default=ListState.OPEN)
    applied_at = models.DateTimeField(null=True)
    counts = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["-created_at"]
        indexes = [models.Index(fields=["crew", "-created_at"], name="list_by_crew")]

    def __str__(self) -> str:
        return self.name
