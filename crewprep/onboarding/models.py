"""Drills and their scores, sign-offs, double markings, and what became of drafted markers."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from crewprep.common.models import CrewRow, Row


class StartStep(CrewRow):
    """A step of the first hour that a member has taken, where nothing else shows it."""

    membership = models.ForeignKey("crewprep.Membership", on_delete=models.CASCADE, related_name="+")
    code = models.CharField(max_length=40)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["membership", "code"], name="start_step_once_per_member")]

    def __str__(self) -> str:
        return self.code


class Sight(CrewRow):
    """That a newcomer has seen markers of a track, on a page or through the API: a drill on it would prove nothing."""

    membership = models.ForeignKey("crewprep.Membership", on_delete=models.CASCADE, related_name="+")
    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["membership", "track"], name="sight_once_per_member_and_track")]

    def __str__(self) -> str:
        return f"sight of {self.track_id}"


class Drill(CrewRow):
    """A member's practice on one approved sheet, hidden until it is handed in; a track is drilled on once.

    ``markers`` are theirs, kept as they work, each as ``{"slot", "start_us", "end_us"}``; ``revision`` counts keepings.
    """

    membership = models.ForeignKey("crewprep.Membership", on_delete=models.CASCADE, related_name="+")
    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")
    sheet = models.ForeignKey("crewprep.SheetVersion", on_delete=models.PROTECT, related_name="+")
    markers = models.JSONField(default=list)
    revision = models.PositiveIntegerField(default=1)
    handed_in_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["membership", "track"], name="drill_once_per_member_and_track"),
            models.UniqueConstraint(
                fields=["membership"], condition=Q(handed_in_at=None), name="drill_one_open_per_member"
            ),
        ]
        indexes = [models.Index(fields=["membership", "handed_in_at"], name="drill_by_member")]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"drill on {self.track_id}"


class DrillScore(Row):
    """How one slot of a handed-in drill was marked, as ``scoring.SlotScore`` has it."""

    drill = models.ForeignKey(Drill, on_delete=models.CASCADE, related_name="scores")
    slot = models.PositiveSmallIntegerField()
    function = models.CharField(max_length=20)
    which = models.CharField(max_length=10)
    miss = models.CharField(max_length=12)
    off_us = models.BigIntegerField(null=True)
    off_beats = models.FloatField(null=True)
    phrases = models.SmallIntegerField(null=True)
    other_slot = models.PositiveSmallIntegerField(null=True)
    length_off_beats = models.FloatField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["drill", "slot"], name="drill_score_once_per_slot")]
        indexes = [models.Index(fields=["function", "which"], name="drill_score_by_function")]
        ordering = ["slot"]

    def __str__(self) -> str:
        return f"{self.slot}: {self.miss}"


class SlotCard(CrewRow):
    """What a member is thought to remember of a slot's function, in the scheduler's form; due again at ``due_at``."""

    membership = models.ForeignKey("crewprep.Membership", on_delete=models.CASCADE, related_name="+")
    function = models.CharField(max_length=20)
    which = models.CharField(max_length=10)
    card = models.JSONField()
    due_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["membership", "function", "which"], name="slot_card_once_per_member")
        ]

    def __str__(self) -> str:
        return f"{self.function}, {self.which}"


class SignOffBar(CrewRow):
    """What a crew asks of a newcomer before a lead signs off, where it differs from ``signing.BAR``: so many drills,
    and of the slots in them at least this share (0 to 1) within a beat, taken at the lower end of its interval."""

    least_drills = models.PositiveSmallIntegerField()
    least_share = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["crew"], name="sign_off_bar_one_per_crew"),
            models.CheckConstraint(
                condition=Q(least_share__gte=0, least_share__lte=1), name="sign_off_bar_share_0_to_1"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.least_drills} drills, {self.least_share:.0%}"


class SignOffEnd(models.TextChoices):
    """What a lead said to a newcomer's figures."""

    SIGNED_OFF = "signed off", "Signed off"
    MORE = "more", "Asked for more"


class SignOff(CrewRow):
    """A lead's word on a newcomer, with the figures that they saw; never changes."""

    person = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    end = models.CharField(max_length=12, choices=SignOffEnd.choices)
    note = models.CharField(max_length=300, blank=True, default="")
    figures = models.JSONField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(person=models.F("by")), name="sign_off_never_by_oneself"),
        ]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.person_id}: {self.end}"


class DoubleMarking(CrewRow):
    """Tracks that several members mark by one version without seeing each other's markers or the draft."""

    convention_version = models.ForeignKey("crewprep.ConventionVersion", on_delete=models.PROTECT, related_name="+")
    made_by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=60)
    closed_at = models.DateTimeField(null=True)
    tracks = models.ManyToManyField("crewprep.Track", related_name="+")
    members = models.ManyToManyField("crewprep.User", related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "name"], name="double_marking_name_once_per_crew")]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return self.name


class BlindSheet(CrewRow):
    """One member's markers of one track in a double marking, theirs alone until it is handed in by all."""

    double_marking = models.ForeignKey(DoubleMarking, on_delete=models.CASCADE, related_name="sheets")
    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="+")
    by = models.ForeignKey("crewprep.User", on_delete=models.PROTECT, related_name="+")
    analysis = models.ForeignKey("crewprep.Analysis", on_delete=models.PROTECT, related_name="+")
    markers = models.JSONField(default=list)
    revision = models.PositiveIntegerField(default=1)
    handed_in_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["double_marking", "track", "by"], name="blind_sheet_once_per_member")
        ]

    def __str__(self) -> str:
        return f"{self.track_id} by {self.by_id}"


class Fate(models.TextChoices):
    """What became of a slot of a draft when the first sheet made from it was approved."""

    KEPT = "kept", "Kept"
    MOVED = "moved", "Moved"
    DROPPED = "dropped", "Dropped"
    ADDED = "added", "Added by hand"


class MarkerFate(CrewRow):
    """What became of one drafted marker (or of a slot that the draft left empty): the engine, how sure it was, and how
    far the approved marker lies from it (``fates.SlotFate``). The analysis is judged by these.

    ``band`` (of ``fates.BAND_EDGES``) and ``quarters`` (the distance in quarters of a beat, rounded up) repeat what
    figures are counted by, so that an index holds all that they read.
    """

    sheet = models.ForeignKey("crewprep.SheetVersion", on_delete=models.CASCADE, related_name="+")
    engine = models.CharField(max_length=20)
    slot = models.PositiveSmallIntegerField()
    function = models.CharField(max_length=20)
    which = models.CharField(max_length=10)
    fate = models.CharField(max_length=8, choices=Fate.choices)
    confidence = models.FloatField(null=True)
    off_us = models.BigIntegerField(null=True)
    off_beats = models.FloatField(null=True)
    phrases = models.SmallIntegerField(null=True)
    band = models.PositiveSmallIntegerField(null=True)
    quarters = models.PositiveIntegerField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["sheet", "slot"], name="marker_fate_once_per_slot")]
        indexes = [
            models.Index(
                fields=["crew", "engine", "function", "which", "fate", "band", "quarters", "phrases", "confidence"],
                name="marker_fate_by_function",
            )
        ]

    def __str__(self) -> str:
        return f"{self.slot}: {self.fate}"
