"""Notices that the clock asks for: a hold that lapses, a night that is tomorrow on the member's own calendar."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from crewprep.crates.models import Crate, Night
from crewprep.crates.services import make_crate
from crewprep.crews.models import Membership
from crewprep.notices.models import Notice, NoticeChoices
from crewprep.notices.selectors import unread_count
from crewprep.notices.watching import watch_claims, watch_nights
from crewprep.preparation.models import Claim
from crewprep.preparation.services import CLAIM_FOR, claim_track
from crewprep.review.services import approve_proposal
from tests import factories
from tests.notices.conftest import Told

pytestmark = pytest.mark.django_db

MINUTE = dt.timedelta(minutes=1)


def test_a_hold_that_lapses_is_told_once_and_again_when_it_was_renewed(
    lead: Membership, resident: Membership, told: Told
) -> None:
    track = factories.analysed_track(lead)
    claim = claim_track(member=resident, track=track)
    NoticeChoices.objects.create(crew=lead.crew, user=resident.user, zone="Asia/Kathmandu")  # UTC+5:45
    watch_claims(now=claim.until - 16 * MINUTE)
    assert told(resident) == []
    for minutes in (14, 13, 1):
        watch_claims(now=claim.until - minutes * MINUTE)
    at = (claim.until + dt.timedelta(hours=5, minutes=45)).strftime("%H:%M")
    assert told(resident) == [f"Your hold on “{track.title}” lapses at {at}; any change keeps it."]
    assert told(lead) == []

    Claim.objects.update(until=claim.until + CLAIM_FOR)
    watch_claims(now=claim.until - MINUTE)
    assert len(told(resident)) == 1, "renewed, so nothing lapses now"
    watch_claims(now=claim.until + CLAIM_FOR - MINUTE)
    assert len(told(resident)) == 2


def test_it_counts_as_unread_until_it_has_lapsed(lead: Membership) -> None:
    claim = claim_track(member=lead, track=factories.analysed_track(lead))
    Claim.objects.update(since=timezone.now() - CLAIM_FOR, until=timezone.now() + MINUTE)
    watch_claims()
    assert unread_count(lead) == 1
    Notice.objects.update(good_until=timezone.now())
    assert unread_count(lead) == 0
    assert claim.holder == lead.user


@pytest.fixture
def night_crate(lead: Membership) -> Crate:
    version = factories.convention(lead)
    return make_crate(member=lead, name="Tannery", convention_version=version, night_date=dt.date(2030, 6, 15))


def test_the_day_before_a_night_tells_how_many_tracks_are_open(
    lead: Membership, resident: Membership, night_crate: Crate, told: Told
) -> None:
    for _ in range(2):
        factories.analysed_track(lead, night_crate)
    approve_proposal(member=lead, proposal=factories.proposal(resident, into=night_crate), seen_revision=1)
    for day, hour in ((13, 12), (14, 8), (15, 12)):
        watch_nights(now=dt.datetime(2030, 6, day, hour, tzinfo=dt.UTC))
    assert told(resident) == []
    for hour in (9, 10, 23):
        watch_nights(now=dt.datetime(2030, 6, 14, hour, tzinfo=dt.UTC))
    assert told(resident) == told(lead) == ["“Tannery” is tomorrow, and 2 tracks are open."]
    assert Notice.objects.filter(path__endswith=f"/nights/{night_crate.night_id}/").count() == 2


def test_tomorrow_is_by_each_members_calendar(lead: Membership, resident: Membership, night_crate: Crate) -> None:
    factories.analysed_track(lead, night_crate)
    NoticeChoices.objects.create(crew=lead.crew, user=lead.user, zone="Pacific/Auckland")  # UTC+12 in June
    NoticeChoices.objects.create(crew=lead.crew, user=resident.user, zone="Pacific/Honolulu")  # UTC-10

    def told_at(day: int, hour: int) -> set[str]:
        watch_nights(now=dt.datetime(2030, 6, day, hour, tzinfo=dt.UTC))
        return {str(notice.recipient) for notice in Notice.objects.select_related("recipient")}

    assert told_at(13, 20) == set()  # 08:00 on the 14th in Auckland
    assert told_at(13, 21) == {str(lead.user)}
    assert told_at(14, 18) == {str(lead.user)}  # 08:00 on the 14th in Honolulu
    assert told_at(14, 19) == {str(lead.user), str(resident.user)}


def test_without_a_choice_tomorrow_is_by_the_nights_clocks(lead: Membership, night_crate: Crate) -> None:
    factories.analysed_track(lead, night_crate)
    Night.objects.update(time_zone="Pacific/Auckland")
    watch_nights(now=dt.datetime(2030, 6, 13, 20, tzinfo=dt.UTC))
    assert Notice.objects.count() == 0
    watch_nights(now=dt.datetime(2030, 6, 13, 21, tzinfo=dt.UTC))
    assert Notice.objects.get().good_until == dt.datetime(2030, 6, 15, 12, tzinfo=dt.UTC)


def test_a_night_with_nothing_open_is_no_news(lead: Membership, resident: Membership, night_crate: Crate) -> None:
    approve_proposal(member=lead, proposal=factories.proposal(resident, into=night_crate), seen_revision=1)
    watch_nights(now=dt.datetime(2030, 6, 14, 12, tzinfo=dt.UTC))
    assert Notice.objects.count() == 0
