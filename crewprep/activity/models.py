"""Activity rows."""

from __future__ import annotations

from typing import Any, NoReturn

from django.conf import settings
from django.db import models

from crewprep.common.models import CrewRow


class ActivityQuerySet(models.QuerySet["Activity"]):
    """Rows may be read and added, not altered."""

    def update(self, **kwargs: Any) -> NoReturn:
        """Refuse."""
        raise TypeError("Activity rows are never altered.")

    def delete(self) -> NoReturn:
        """Refuse."""
        raise TypeError("Activity rows are never removed.")


class Activity(CrewRow):
    """One thing that happened. ``actor`` is empty where a worker did it."""

    actor = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    verb = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=40)
    subject_id = models.UUIDField()
    details = models.JSONField(default=dict)

    objects = ActivityQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at"]
        indexes = [
            models.Index(fields=["crew", "-created_at"], name="activity_by_crew"),
            models.Index(fields=["subject_kind", "subject_id"], name="activity_by_subject"),
            models.Index(fields=["created_at"], name="activity_by_time"),
        ]

    def __str__(self) -> str:
        return f"{self.verb} {self.subject_kind} {self.subject_id}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing row is refused."""
        if not self._state.adding:
            raise TypeError("Activity rows are never altered.")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        """Refuse."""
        raise TypeError("Activity rows are never removed.")
