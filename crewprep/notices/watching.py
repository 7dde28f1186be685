"""Notices from the clock: a hold that is about to lapse, a night that is tomorrow."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.urls import reverse

from crewprep.crates.models import Night
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.jobs import clock
from crewprep.notices.choices import choices_in
from crewprep.notices.hours import end_of_day
from crewprep.notices.kinds import Kind
from crewprep.notices.making import Planned, tell, track_path
from crewprep.preparation.models import Claim
from crewprep.readiness.selectors import open_counts

BEFORE_LAPSING = dt.timedelta(minutes=15)
NIGHT_HOUR = 9
"""The hour of the member's day before the night from which they are told."""


def watch_claims(*, now: dt.datetime | None = None) -> int:
    """Tell the holders of holds that lapse within a quarter of an hour; once for each time that one would lapse."""
    now = now or clock.now()
    lapsing = Claim.objects.filter(until__gt=now, until__lte=now + BEFORE_LAPSING).select_related("track", "crew")
    told = 0
    for claim in lapsing:
        zone = choices_in(claim.crew_id, [claim.holder_id])[claim.holder_id].zone
        at = claim.until.astimezone(ZoneInfo(zone)).strftime("%H:%M")
        text = f"your hold on “{claim.track.title}” lapses at {at}; any change keeps it."
        about, path = f"{claim.pk}:{claim.until.isoformat()}", track_path(claim.crew, claim.track_id)
        planned = Planned(
            claim.holder_id, Kind.CLAIM_LAPSING, about, claim.track_id, text, path, now, good_until=claim.until
        )
        told += tell(claim.crew_id, [planned])
    return told


def watch_nights(*, now: dt.datetime | None = None) -> int:
    """Tell the members who prepare how many tracks are open the day before a night: by the clock that each has chosen,
    by the night's own where they have chosen none.
    """
    now = now or clock.now()
    days = [now.date() + dt.timedelta(days=days) for days in (0, 1, 2)]  # tomorrow, wherever somebody is
    nights = list(Night.objects.filter(date__in=days).select_related("crew"))
    counts = open_counts(nights)
    return sum(_tell_of(night, counts[night.pk].open, now) for night in nights if counts[night.pk].open)


def _tell_of(night: Night, open_tracks: int, now: dt.datetime) -> int:
    members = [one for one in Membership.objects.filter(crew=night.crew_id) if may_prepare(one)]
    chosen = choices_in(night.crew_id, [one.user_id for one in members])
    zones = {user: night.time_zone if choices._state.adding else choices.zone for user, choices in chosen.items()}
    path = reverse("night", args=[night.crew.slug, night.pk])
    tracks = "1 track is" if open_tracks == 1 else f"{open_tracks} tracks are"
    text = f"“{night.name}” is tomorrow, and {tracks} open."
    planned = [
        Planned(
            one.user_id, Kind.NIGHT_NEAR, f"{night.pk}:{night.date}", night.pk, text, path, now,
            good_until=end_of_day(night.date, night.time_zone),
        )
        for one in members
        if _is_eve(now, zones[one.user_id], night.date)
    ]  # fmt: skip
    return tell(night.crew_id, planned)


def _is_eve(now: dt.datetime, zone: str, day: dt.date) -> bool:
    here = now.astimezone(ZoneInfo(zone))
    return here.date() == day - dt.timedelta(days=1) and here.hour >= NIGHT_HOUR
