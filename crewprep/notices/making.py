"""From what is to be told to rows: each once for each member, by their choices."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from django.urls import reverse

from crewprep.crates.models import CrateTrack
from crewprep.crews.models import Crew, Membership
from crewprep.notices.choices import choices_in
from crewprep.notices.kinds import Kind, Way
from crewprep.notices.models import Notice


@dataclass(frozen=True, slots=True)
class Planned:
    """Something to tell a user. ``about`` makes it one thing within its kind; ``text`` follows the name of ``by``;
    ``page_only`` is for what needs no mail of its own, whatever was chosen."""

    recipient: int
    kind: Kind
    about: str
    subject_id: UUID
    text: str
    path: str
    happened_at: dt.datetime
    by: int | None = None
    good_until: dt.datetime | None = None
    page_only: bool = False


def tell(crew_id: UUID, planned: Sequence[Planned]) -> int:
    """Write the notices that are wanted and not there yet; how many were asked for. Leavers are left out.

    Without a confirmed address a notice is for the page alone, and stays so when one is confirmed later.
    """
    users = {one.recipient for one in planned}
    present = dict(
        Membership.objects.filter(crew=crew_id, user__in=users, user__is_active=True)
        .order_by()
        .values_list("user_id", "user__confirmed_email")
    )
    choices = choices_in(crew_id, present)
    rows = []
    for one in planned:
        way = choices[one.recipient].way(one.kind) if one.recipient in present else Way.OFF
        if way != Way.OFF:
            rows.append(
                Notice(
                    crew_id=crew_id, recipient_id=one.recipient, kind=one.kind, about=one.about,
                    subject_id=one.subject_id, by_id=one.by, text=one.text[:400], path=one.path,
                    happened_at=one.happened_at, good_until=one.good_until,
                    by_mail=way == Way.MAIL and not one.page_only and bool(present[one.recipient]),
                )
            )  # fmt: skip
    Notice.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def track_path(crew: Crew, track_id: UUID) -> str:
    """The page of a track in the newest crate that it is in, else the crew's home."""
    place = CrateTrack.objects.filter(crate__crew=crew, track=track_id).order_by("-created_at").first()
    if place is None:
        return reverse("crew-home", args=[crew.slug])
    return reverse("track-page", args=[crew.slug, place.crate_id, track_id])
