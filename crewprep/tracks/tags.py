"""Title and artist as members write them; what an analysis reads in the file never replaces them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import transaction

from analysis_worker.core.text import clean_text
from crewprep.activity.models import Activity
from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Membership
from crewprep.tracks.models import Track
from crewprep.tracks.rules import may_edit_tags


@dataclass(frozen=True, slots=True)
class Tags:
    """A track's title and artist; cleaned when it is made by ``of``."""

    title: str
    artist: str

    @classmethod
    def of(cls, title: str, artist: str) -> Tags:
        """One line of plain text each, at most 200 letters; raises ``Invalid`` without a title."""
        tags = cls(clean_text(title), clean_text(artist))
        if not tags.title:
            raise Invalid("track:title-missing")
        return tags


def edit_tags(*, member: Membership, track: Track, seen: Tags, new: Tags) -> bool:
    """Write new tags over those that were ``seen``; False where they are the same.

    Raises ``Refused``, and ``Conflict`` where the track has other tags than these by now.
    """
    may_edit_tags(member, track).require()
    with transaction.atomic():
        rows = Track.objects.filter(pk=track.pk, title=seen.title, artist=seen.artist)
        if not rows.update(title=new.title, artist=new.artist, tags_edited=True):
            raise Conflict("track:tags-moved-on")
        if new != seen:
            record(
                actor=member.user, verb="tags edited", subject=track,
                title=[seen.title, new.title], artist=[seen.artist, new.artist],
            )  # fmt: skip
    track.title, track.artist, track.tags_edited = new.title, new.artist, True
    return new != seen


@dataclass(frozen=True, slots=True)
class TagChange:
    """One line of a track's history of tags."""

    by: str
    at: dt.datetime
    old: Tags
    new: Tags


def tag_changes(track: Track) -> list[TagChange]:
    """What the record says of the track's tags, newest first."""
    rows = Activity.objects.filter(crew=track.crew_id, subject_id=track.pk, verb="tags edited")
    return [
        TagChange(str(row.actor or ""), row.created_at, *_both(row.details))
        for row in rows.select_related("actor").order_by("-created_at")[:20]
    ]


def _both(details: dict[str, list[str]]) -> tuple[Tags, Tags]:
    (old_title, title), (old_artist, artist) = details["title"], details["artist"]
    return Tags(old_title, old_artist), Tags(title, artist)
