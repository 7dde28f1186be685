"""Conventions, their versions and slots."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from analysis_worker.core.convention import COLOURS, FUNCTIONS, KINDS, SHAPES, SNAPS_BEATS, WHICH
from crewprep.common.models import CrewRow, Row


def _choices(values: tuple[Any, ...]) -> list[tuple[Any, str]]:
    return [(value, str(value)) for value in values]


class Convention(CrewRow):
    """A named convention of a crew; its rules live in numbered versions."""

    name = models.CharField(max_length=80)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "name"], name="convention_name_once_per_crew")]

    def __str__(self) -> str:
        return self.name


class ConventionVersion(CrewRow):
    """One published state of a convention. Never changes.

    A crew's versions form one line, whatever their conventions are called: each ``follows`` the one that was current
    when it was written, and at most one follows another, so that of two leads who publish at once one wins.
    """

    convention = models.ForeignKey(Convention, on_delete=models.CASCADE, related_name="versions")
    number = models.PositiveIntegerField()
    published_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    follows = models.OneToOneField("self", null=True, on_delete=models.CASCADE, related_name="followed_by")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["convention", "number"], name="convention_version_number_once"),
            models.UniqueConstraint(
                fields=["crew"], condition=Q(follows__isnull=True), name="convention_version_one_first_per_crew"
            ),
        ]
        ordering = ["-number"]

    def __str__(self) -> str:
        return f"{self.convention.name} v{self.number}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing version is refused."""
        if not self._state.adding:
            raise TypeError("A published convention version never changes.")
        super().save(*args, **kwargs)


class Slot(Row):
    """A numbered place in the convention with one function, as in ``analysis_worker.core.convention.SlotRule``."""

    version = models.ForeignKey(ConventionVersion, on_delete=models.CASCADE, related_name="slots")
    number = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=40)
    function = models.CharField(max_length=20, choices=_choices(FUNCTIONS))
    which = models.CharField(max_length=10, choices=_choices(WHICH), default="first")
    kind = models.CharField(max_length=5, choices=_choices(KINDS), default="point")
    loop_bars = models.PositiveSmallIntegerField(null=True, blank=True)
    lead_bars = models.PositiveSmallIntegerField(default=0)
    snap_beats = models.FloatField(choices=_choices(SNAPS_BEATS), default=0.25)
    colour = models.CharField(max_length=20, choices=_choices(COLOURS))
    shape = models.CharField(max_length=10, choices=_choices(SHAPES))
    required = models.BooleanField(default=False)
    guidance = models.CharField(max_length=300, blank=True)
    labels = models.JSONField(default=list, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "number"], name="slot_number_once_per_version"),
            models.CheckConstraint(condition=Q(number__gte=1, number__lte=16), name="slot_number_1_to_16"),
            models.CheckConstraint(
                condition=Q(kind="loop", loop_bars__gte=1) | Q(kind="point", loop_bars__isnull=True),
                name="slot_loop_has_length",
            ),
        ]
        ordering = ["number"]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert; an existing slot is refused."""
        if not self._state.adding:
            raise TypeError("A published slot never changes.")
        super().save(*args, **kwargs)


class ConventionDraft(CrewRow):
    """The next version of the crew's convention while its leads write it; published, it is gone.

    ``document`` is a convention document whose fields may still be as somebody typed them. ``begun_from`` is the
    version that was current then. ``revision`` counts savings; who saves or publishes names the one they saw.
    """

    document = models.JSONField()
    begun_from = models.ForeignKey(ConventionVersion, null=True, on_delete=models.CASCADE, related_name="+")
    revision = models.PositiveIntegerField(default=1)
    changed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    changed_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew"], name="convention_draft_one_per_crew")]

    def __str__(self) -> str:
        return f"draft of a convention, revision {self.revision}"
