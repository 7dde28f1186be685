"""Standings, searches that are kept, and changes to many tracks."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from crewprep.common.models import CrewRow

MOST_SORTED = 800
"""Characters of a title or artist that lists sort and search by: 200 letters can grow when they are taken apart."""


class Stand(models.TextChoices):
    """Where a track stands in the whole library, whatever crate it is in."""

    WORKING = "working", "With the workers"
    GIVEN_UP = "given-up", "Given up"
    REFUSED = "refused", "Refused"
    UNDRAFTED = "undrafted", "Analysed, without a draft"
    DRAFTED = "drafted", "Draft ready"
    OPEN = "open", "Proposal open"
    RETURNED = "returned", "Returned"
    APPROVED = "approved", "Approved"


class TrackStanding(CrewRow):
    """What lists and searches ask of a track, in one row with indices; ``upkeep`` keeps it and can rebuild it.

    Every change that is recorded raises ``revision`` in its own transaction; the columns are those of
    ``seen_revision``, so that a row whose two numbers differ is brought up to date before it is read.
    """

    track = models.OneToOneField("crewprep.Track", on_delete=models.CASCADE, related_name="standing")
    revision = models.PositiveIntegerField(default=1)
    seen_revision = models.PositiveIntegerField(default=0)

    listed = models.BooleanField(default=True)
    """False for a track that turned out to be the audio of another one and only leads on to it."""
    state = models.CharField(max_length=10, choices=Stand.choices, default=Stand.WORKING)
    sort_title = models.CharField(max_length=MOST_SORTED, default="")
    """The title without case and accents, as ``folding.folded`` makes it, as much of it as fits; so is the artist."""
    sort_artist = models.CharField(max_length=MOST_SORTED, default="", blank=True)
    added_at = models.DateTimeField(null=True)
    duration_us = models.BigIntegerField(null=True)
    tempo_bpm = models.FloatField(null=True)
    steady = models.BooleanField(default=True)
    key_name = models.CharField(max_length=12, blank=True, default="")
    loudness_lufs = models.FloatField(null=True)
    confidence = models.FloatField(null=True)
    """The lowest of the newest draft's markers, 0 to 1."""
    sheet_number = models.PositiveIntegerField(null=True)
    checked = models.BooleanField(default=True)
    """Whether the house checks have been asked of the sheet; what they found is in ``BrokenCheck``."""

    class Meta:
        indexes = [
            models.Index(  # with the artist too, so that words are looked for in the index alone
                fields=["crew", "sort_title", "track", "sort_artist"],
                condition=Q(listed=True),
                name="standing_by_title",
            ),
            models.Index(fields=["crew", "sort_artist", "track"], condition=Q(listed=True), name="standing_by_artist"),
            models.Index(fields=["crew", "-added_at", "track"], condition=Q(listed=True), name="standing_by_added"),
            models.Index(fields=["crew", "state"], name="standing_by_state"),
            models.Index(fields=["crew", "tempo_bpm"], name="standing_by_tempo"),
            models.Index(fields=["track", "state", "sheet_number"], name="standing_counted"),
            models.Index(fields=["crew"], condition=~Q(revision=F("seen_revision")), name="standing_stale"),
        ]

    def __str__(self) -> str:
        return f"standing of {self.track_id}"


class BrokenCheck(CrewRow):
    """A house check that a track's latest sheet breaks, whatever its severity; kept beside the standing."""

    track = models.ForeignKey("crewprep.Track", on_delete=models.CASCADE, related_name="broken_checks")
    check_code = models.CharField(max_length=20)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["track", "check_code"], name="broken_check_once_per_track")]
        indexes = [models.Index(fields=["crew", "check_code", "track"], name="broken_check_by_crew")]

    def __str__(self) -> str:
        return f"{self.check_code} of {self.track_id}"


class SavedSearch(CrewRow):
    """A search under a name: its address' query. ``shared`` shows it to the whole crew."""

    by = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=1000, blank=True)
    shared = models.BooleanField(default=False)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "by", "name"], name="saved_search_name_once_per_member")]
        ordering = ["name", "created_at"]

    def __str__(self) -> str:
        return self.name


class BulkKind(models.TextChoices):
    """What can be done to many tracks at once."""

    PUT = "put", "Put into a crate"
    TAKE = "take", "Take out of a crate"
    ASSIGN = "assign", "Assign to a member"
    RELEASE = "release", "Release"
    DRAFT = "draft", "Ask for a draft"


class BulkChange(CrewRow):
    """One change of many tracks, with what it takes to take it back.

    ``changes`` lists what was really done, one entry a track: ``{"track": id, ...}`` with what stood before and what
    stands since, as its kind needs (``bulk``). ``words`` is the sentence that is shown, with ``{to}`` for the member
    who was given the tracks, since no name of a person is kept where it could not be taken away.
    """

    by = models.ForeignKey("crewprep.User", on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=10, choices=BulkKind.choices)
    crate = models.ForeignKey("crewprep.Crate", null=True, on_delete=models.CASCADE, related_name="+")
    to = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")
    words = models.CharField(max_length=300)
    changes = models.JSONField(default=list)
    undone_at = models.DateTimeField(null=True)

    class Meta:
        indexes = [models.Index(fields=["crew", "by", "-created_at"], name="bulk_change_by_member")]

    def __str__(self) -> str:
        return self.words.replace("{to}", str(self.to or "a former member"))
