"""Claims: one member's hold on a track's preparation."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from crewprep.common.models import CrewRow


class Claim(CrewRow):
    """Who prepares a track until when; past ``until`` it has lapsed and holds nobody off. One row a track."""

    track = models.OneToOneField("crewprep.Track", on_delete=models.CASCADE, related_name="claim")
    holder = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    since = models.DateTimeField()
    until = models.DateTimeField()
    note = models.CharField(max_length=200, blank=True)
    """Why it was taken over or given to the holder."""

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(until__gt=F("since")), name="claim_ends_after_it_began")]

    def __str__(self) -> str:
        return f"held by {self.holder_id} until {self.until}"
