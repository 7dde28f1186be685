"""The address under which a member's calendar program reads the nights."""

from __future__ import annotations

from django.db import models

from crewprep.common.models import CrewRow


class CalendarFeed(CrewRow):
    """A member's calendar address. It holds a secret, of which only the SHA-256 is kept; gone with the membership."""

    membership = models.OneToOneField("crewprep.Membership", on_delete=models.CASCADE, related_name="calendar_feed")
    token_sha256 = models.CharField(max_length=64, unique=True)
    given_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"calendar of {self.membership_id}"
