"""Proposals, their markers, and remarks."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from crewprep.common.models import CrewRow, Row
from crewprep.sheets.models import MarkerFields


class ProposalState(models.TextChoices):
    """See ``lifecycle.py`` for the moves between them."""

    OPEN = "open", "Open"
    RETURNED = "returned", "Returned"
    APPROVED = "approved", "Approved"
    WITHDRAWN = "withdrawn", "Withdrawn"


class Proposal(CrewRow):
    """A sheet that a member puts forward against a base version (empty for a track's first sheet).

    ``revision`` counts changes of the markers; a verdict names the revision that the reviewer saw. Whoever last
    changed the markers counts as an author beside the proposer, and so does everyone in ``contributors``.
    """

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="proposals")
    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    analysis = models.ForeignKey("crewprep.Analysis", on_delete=models.PROTECT, related_name="+")
    base = models.ForeignKey("crewprep.SheetVersion", null=True, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=ProposalState.choices, default=ProposalState.OPEN)
    revision = models.PositiveIntegerField(default=1)
    note = models.CharField(max_length=500, blank=True)
    override_reason = models.CharField(max_length=300, blank=True, default="")
    """Why blockers of the house checks may stay, in the words of whoever proposed; the reviewer sees it."""
    proposed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    changed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    changed_at = models.DateTimeField()
    contributors = models.ManyToManyField("crewprep.User", related_name="+")
    reviewed_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    reviewed_at = models.DateTimeField(null=True)
    verdict_note = models.CharField(max_length=500, blank=True)
    heard = models.JSONField(default=list, blank=True)
    """Slots whose markers the reviewer played before the verdict, as far as the page could tell."""
    sheet = models.OneToOneField("crewprep.SheetVersion", null=True, on_delete=models.PROTECT, related_name="proposal")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(reviewed_by__isnull=True) | ~Q(reviewed_by=F("proposed_by")),
                name="proposal_never_reviewed_by_proposer",
            ),
            models.CheckConstraint(
                condition=Q(reviewed_by__isnull=True) | ~Q(reviewed_by=F("changed_by")),
                name="proposal_never_reviewed_by_last_author",
            ),
            models.CheckConstraint(
                condition=~Q(state="approved") | Q(reviewed_by__isnull=False, reviewed_at__isnull=False),
                name="proposal_approved_by_somebody",
            ),
            models.UniqueConstraint(
                fields=["track"], condition=Q(state__in=["open", "returned"]), name="proposal_one_pending_per_track"
            ),
        ]
        indexes = [models.Index(fields=["crew", "state", "created_at"], name="proposal_queue")]
        ordering = ["created_at"]

    def __str__(self) -> str:
        return f"proposal for {self.track_id} ({self.state})"


class ProposedMarker(MarkerFields):
    """A marker of a proposal."""

    proposal = models.ForeignKey(Proposal, on_delete=models.CASCADE, related_name="markers")

    class Meta(MarkerFields.Meta):
        constraints = [
            *MarkerFields.Meta.constraints,
            models.UniqueConstraint(fields=["proposal", "slot"], name="proposal_slot_once"),
        ]


class Remark(Row):
    """A reviewer's words on one slot of a proposal at the revision that was seen."""

    proposal = models.ForeignKey(Proposal, on_delete=models.CASCADE, related_name="remarks")
    revision = models.PositiveIntegerField()
    slot = models.PositiveSmallIntegerField()
    text = models.CharField(max_length=500)
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["slot", "created_at"]

    def __str__(self) -> str:
        return f"slot {self.slot}: {self.text}"
