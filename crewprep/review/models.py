"""Proposals and their markers, verdicts, remarks and what is said to them, and how the crew reviews."""

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
    asked = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")
    """Whom the review was put to; anyone else who may review still may."""
    two_reviewers = models.BooleanField(default=False)
    """Whether the crew's rule of two reviewers held when it was last approved."""
    first_approved_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    """Who approved this revision first, where two must; a change of the markers makes it void."""
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
                condition=Q(first_approved_by__isnull=True)
                | (~Q(first_approved_by=F("proposed_by")) & ~Q(first_approved_by=F("changed_by"))),
                name="proposal_first_approval_never_by_author",
            ),
            models.CheckConstraint(
                condition=Q(first_approved_by__isnull=True)
                | Q(reviewed_by__isnull=True)
                | ~Q(first_approved_by=F("reviewed_by")),
                name="proposal_no_reviewer_twice",
            ),
            models.CheckConstraint(
                condition=~Q(state="approved", two_reviewers=True) | Q(first_approved_by__isnull=False),
                name="proposal_approved_twice_where_two_must",
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


class VerdictKind(models.TextChoices):
    """What a reviewer said of a revision."""

    APPROVED = "approved", "Approved"
    RETURNED = "returned", "Returned"


class Verdict(Row):
    """What one reviewer said of one revision, with what was seen: the markers, and the digest of the whole content
    (``content.py``). Never changes."""

    proposal = models.ForeignKey(Proposal, on_delete=models.CASCADE, related_name="verdicts")
    revision = models.PositiveIntegerField()
    kind = models.CharField(max_length=10, choices=VerdictKind.choices)
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    proposed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    changed_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=500, blank=True)
    heard = models.JSONField(default=list, blank=True)
    markers = models.JSONField(default=list)
    digest = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["proposal", "revision", "by"], name="verdict_once_per_reviewer"),
            models.CheckConstraint(
                condition=~Q(by=F("proposed_by")) & ~Q(by=F("changed_by")), name="verdict_never_by_author"
            ),
        ]
        indexes = [models.Index(fields=["by", "created_at"], name="verdict_by_reviewer")]
        ordering = ["created_at"]

    def __str__(self) -> str:
        return f"{self.kind} revision {self.revision}"


class Remark(Row):
    """A member's words on one slot of a proposal at the revision that was seen, with a return or without a verdict; it
    begins a thread."""

    proposal = models.ForeignKey(Proposal, on_delete=models.CASCADE, related_name="remarks")
    revision = models.PositiveIntegerField()
    slot = models.PositiveSmallIntegerField()
    text = models.CharField(max_length=500)
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    resolved_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.PROTECT, related_name="+")
    resolved_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(resolved_by__isnull=True, resolved_at__isnull=True)
                | Q(resolved_by__isnull=False, resolved_at__isnull=False),
                name="remark_resolved_by_somebody",
            )
        ]
        ordering = ["slot", "created_at"]

    def __str__(self) -> str:
        return f"slot {self.slot}: {self.text}"


class Reply(Row):
    """What a member said to a remark."""

    remark = models.ForeignKey(Remark, on_delete=models.CASCADE, related_name="replies")
    text = models.CharField(max_length=500)
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["created_at"]

    def __str__(self) -> str:
        return self.text


class ReviewOptions(CrewRow):
    """How a crew reviews; a crew without a row has one reviewer a proposal and no bulk approval."""

    two_reviewers = models.BooleanField(default=False)
    bulk_confidence = models.FloatField(null=True)
    """Drafts at least this sure of each marker may be approved in bulk; None for never."""

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew"], name="review_options_once_per_crew"),
            models.CheckConstraint(
                condition=Q(bulk_confidence__isnull=True) | Q(bulk_confidence__gte=0, bulk_confidence__lte=1),
                name="review_options_confidence_0_to_1",
            ),
        ]

    def __str__(self) -> str:
        return f"review options of {self.crew_id}"
