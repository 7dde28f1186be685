"""Users, crews, membership."""

from __future__ import annotations

from django.contrib.auth.models import AbstractUser
from django.db import models

from crewprep.common.models import CrewRow, Row


class User(AbstractUser):
    """A person who signs in. Belongs to crews through memberships."""

    display_name = models.CharField(max_length=80, blank=True)

    def __str__(self) -> str:
        return self.display_name or self.username


class Crew(Row):
    """The people who share crates and one convention."""

    name = models.CharField(max_length=80)
    slug = models.SlugField(max_length=40, unique=True)
    members = models.ManyToManyField(User, through="crewprep.Membership", related_name="crews")

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    """A lead runs the crew, a resident prepares and reviews, a newcomer prepares until signed off."""

    LEAD = "lead", "Lead"
    RESIDENT = "resident", "Resident"
    NEWCOMER = "newcomer", "Newcomer"


class Membership(CrewRow):
    """A user's place in a crew: the ``member`` that every rule asks about."""

    crew = models.ForeignKey(Crew, on_delete=models.CASCADE, related_name="memberships")
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=10, choices=Role.choices)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "user"], name="membership_once_per_crew")]
        ordering = ["user__username"]

    def __str__(self) -> str:
        return f"{self.user} ({self.role} of {self.crew})"
