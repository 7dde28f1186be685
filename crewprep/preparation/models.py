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


class PreparationTime(CrewRow):
    """How long a track's next sheet (``sheet_number``) was worked on, whoever did it: nobody's name is kept with it.

    ``active_ms`` adds the gaps between signs of work that are no longer than ``times.IDLE``; ``last_at`` is the newest
    sign. At the first proposal it is settled: ``proposed_at``, and in ``expected_minutes`` what the plain estimate was.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="preparation_times")
    sheet_number = models.PositiveIntegerField()
    active_ms = models.PositiveBigIntegerField(default=0)
    last_at = models.DateTimeField()
    expected_minutes = models.FloatField(null=True)
    proposed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["track", "sheet_number"], name="preparation_time_once_per_sheet"),
            models.CheckConstraint(
                condition=Q(proposed_at__isnull=True) | Q(expected_minutes__gt=0),
                name="preparation_time_has_its_estimate",
            ),
        ]
        indexes = [models.Index(fields=["crew", "proposed_at"], name="preparation_time_by_crew")]

    def __str__(self) -> str:
        return f"{self.active_ms / 60_000:.1f} min on {self.track_id}"


class Split(CrewRow):
    """How a crate was last divided: a revision that two leads cannot both write, and the free minutes that were given
    (``{"<id of the user>": minutes}``)."""

    crate = models.OneToOneField("crewprep.Crate", on_delete=models.CASCADE, related_name="split")
    revision = models.PositiveIntegerField(default=1)
    free_minutes = models.JSONField(default=dict)

    def __str__(self) -> str:
        return f"split {self.revision} of {self.crate_id}"


class Assignment(CrewRow):
    """Who is to prepare and to review a track of a crate; who holds it now is its ``Claim``. Minutes are estimates of
    when it was assigned."""

    crate = models.ForeignKey("crewprep.Crate", on_delete=models.CASCADE, related_name="assignments")
    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="assignments")
    preparer = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")
    reviewer = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")
    minutes = models.PositiveIntegerField()
    review_minutes = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crate", "track"], name="assignment_once_per_track_of_a_crate"),
            models.CheckConstraint(
                condition=Q(preparer__isnull=True) | Q(reviewer__isnull=True) | ~Q(preparer=F("reviewer")),
                name="assignment_never_reviewed_by_its_preparer",
            ),
        ]
        indexes = [
            models.Index(fields=["crew", "preparer"], name="assignment_by_preparer"),
            models.Index(fields=["crew", "reviewer"], name="assignment_by_reviewer"),
        ]

    def __str__(self) -> str:
        return f"{self.track_id}: {self.preparer_id}, reviewed by {self.reviewer_id}"
