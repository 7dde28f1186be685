"""Claims: one holder a track, for two hours of work; released, taken over, assigned; one winner under race."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from crewprep.analysis.correction import half_a_beat_later
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crews.models import Membership, Role
from crewprep.models import Activity, Claim, Crate, Track
from crewprep.preparation.selectors import lapsing_claims, live_claim
from crewprep.preparation.services import CLAIM_FOR, assign_track, claim_track, keep_work, release_track, take_over
from crewprep.review.corrections import correct_grid
from crewprep.review.services import propose
from crewprep.sheets.keeping import Work
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.review.test_rival_verdicts import race, rounds

pytestmark = pytest.mark.django_db


@pytest.fixture
def track(lead: Membership, crate: Crate) -> Track:
    return factories.analysed_track(lead, crate)


def lapse(track: Track) -> None:
    now = timezone.now()
    Claim.objects.filter(track=track).update(since=now - 2 * CLAIM_FOR, until=now - dt.timedelta(seconds=1))


def put_forward(member: Membership, track: Track, crate: Crate):
    return propose(
        member=member, track=track, convention_version=crate.convention_version,
        markers=factories.eight_markers(factories.analysis_result()),
    )  # fmt: skip


def test_one_holder_a_track_and_it_lapses(lead: Membership, resident: Membership, track: Track):
    first = claim_track(member=lead, track=track)
    assert dt.timedelta(hours=1, minutes=59) < first.until - timezone.now() <= CLAIM_FOR
    with pytest.raises(Conflict, match=f"{lead.user} holds this track until"):
        claim_track(member=resident, track=track)
    lapse(track)
    assert live_claim(track) is None
    assert claim_track(member=resident, track=track).holder == resident.user
    assert Activity.objects.filter(verb="track claimed").count() == 2


def test_ones_own_claim_is_renewed_and_work_renews_it(lead: Membership, track: Track, crate: Crate):
    claim = claim_track(member=lead, track=track)
    Claim.objects.update(until=timezone.now() + dt.timedelta(minutes=1))
    work = Work([MarkerInput(1, 0)], "", "draft/0")
    keep_work(member=lead, track=track, version=crate.convention_version, work=work, seen_revision=0)
    renewed = Claim.objects.get(track=track)
    assert renewed.until - timezone.now() > dt.timedelta(hours=1, minutes=59)
    assert renewed.since == claim.since
    assert Activity.objects.filter(verb="track claimed").count() == 1, "a renewal is no news"


def test_work_begins_a_claim_only_where_nobody_holds_the_track(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    work = Work([MarkerInput(1, 0)], "", "draft/0")
    keep_work(member=resident, track=track, version=crate.convention_version, work=work, seen_revision=0)
    keep_work(member=lead, track=track, version=crate.convention_version, work=work, seen_revision=0)
    claim = live_claim(track)
    assert claim is not None
    assert claim.holder == resident.user


def test_others_cannot_propose_a_held_track_and_proposing_lets_it_go(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    claim_track(member=resident, track=track)
    with pytest.raises(Conflict, match="Take it over with a note"):
        put_forward(lead, track, crate)
    put_forward(resident, track, crate)
    assert live_claim(track) is None


def test_it_is_released_by_its_holder_or_a_lead(lead: Membership, resident: Membership, track: Track):
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    claim_track(member=resident, track=track)
    with pytest.raises(Refused):
        release_track(member=newcomer, track=track)
    assert release_track(member=lead, track=track)
    assert not release_track(member=resident, track=track), "nobody holds it any more"
    claim_track(member=newcomer, track=track)
    assert release_track(member=newcomer, track=track)


def test_it_is_taken_over_with_a_note_from_whom_one_saw(lead: Membership, resident: Membership, track: Track):
    claim_track(member=resident, track=track)
    with pytest.raises(Invalid, match="Write a word"):
        take_over(member=lead, track=track, seen_holder=resident.user_id, note=" ")
    claim = take_over(member=lead, track=track, seen_holder=resident.user_id, note="needed tonight")
    assert (claim.holder, claim.note) == (lead.user, "needed tonight")
    with pytest.raises(Conflict, match="Somebody else holds this track by now"):
        take_over(member=resident, track=track, seen_holder=resident.user_id, note="mine again")


def test_a_lead_assigns_and_others_may_not(lead: Membership, resident: Membership, track: Track):
    with pytest.raises(Refused):
        assign_track(member=resident, track=track, to=resident)
    assign_track(member=lead, track=track, to=resident, note="yours on Saturday")
    claim = live_claim(track)
    assert claim is not None
    assert (claim.holder, claim.note) == (resident.user, "yours on Saturday")


def test_the_page_says_who_holds_it_and_every_button_works(
    client: Client, lead: Membership, resident: Membership, track: Track, crate: Crate
):
    url = reverse("track-page", args=[lead.crew.slug, crate.pk, track.pk])
    claim = reverse("track-claim", args=[lead.crew.slug, crate.pk, track.pk])

    def press(member: Membership, **posted: str) -> str:
        client.force_login(member.user)
        return client.post(claim, posted, follow=True).content.decode()

    client.force_login(lead.user)
    assert "Nobody holds this track" in client.get(url).content.decode()
    assert "You hold this track until" in press(resident, do="claim")
    client.force_login(lead.user)
    assert f"{resident.user} holds this track until" in client.get(url).content.decode()
    crate_page = client.get(reverse("crate", args=[lead.crew.slug, crate.pk])).content.decode()
    assert f"{resident.user} holds it until" in crate_page
    assert "Write a word to whoever holds the track" in press(lead, do="take-over", seen_holder=str(resident.user_id))
    assert "Note: “tonight”" in press(lead, do="take-over", seen_holder=str(resident.user_id), note="tonight")
    assert "Somebody else holds this track by now" in press(resident, do="take-over", seen_holder="x", note="no")
    assert f"{resident.user} holds the track now." in press(lead, do="assign", to=str(resident.pk))
    assert "choose a member of the crew" in press(lead, do="assign", to="x")
    assert "The track is free." in press(resident, do="release")
    assert "choose what to do" in press(resident, do="dance")


def test_a_script_hears_how_long_it_still_holds_and_who_else_does(
    client: Client, lead: Membership, resident: Membership, track: Track, crate: Crate
):
    url = reverse("track-claim", args=[lead.crew.slug, crate.pk, track.pk])
    client.force_login(lead.user)
    answer = client.post(url, {"do": "claim"}, headers={"Accept": "application/json"}).json()
    assert 7100 < answer["held_for"] <= 7200
    keep = reverse("track-keep", args=[lead.crew.slug, track.pk, crate.convention_version_id])
    Claim.objects.update(until=timezone.now() + dt.timedelta(minutes=1))
    page = client.get(reverse("track-page", args=[lead.crew.slug, crate.pk, track.pk])).content.decode()
    assert "Your hold lapses soon." in page, "without scripts too"
    kept = client.post(keep, {"markers": "[]", "seen": "0"}, headers={"Accept": "application/json"}).json()
    assert 7100 < kept["held_for"] <= 7200, "work renews it, and the page knows"
    client.force_login(resident.user)
    refused = client.post(url, {"do": "claim"}, headers={"Accept": "application/json"})
    assert refused.status_code == 409
    assert f"{lead.user} holds this track until" in refused.json()["detail"]


@pytest.mark.django_db(transaction=True)
def test_of_two_rivals_one_claims_and_one_takes_over():
    lead = factories.crew_with()
    rivals = [factories.member_of(lead.crew) for _ in range(2)]
    crate = factories.crate(lead)
    track = factories.analysed_track(lead, crate)
    for number in range(rounds()):
        if number % 2:
            claim_track(member=lead, track=track)
            lapse(track)
        outcomes = race(*(lambda one=one: claim_track(member=one, track=track) for one in rivals))
        assert outcomes == {"won": 1, "conflict": 1}, number
        holder = Claim.objects.get(track=track).holder_id
        third = race(
            *(
                lambda one=one, holder=holder: take_over(member=one, track=track, seen_holder=holder, note="now")
                for one in [lead, *rivals]
                if one.user_id != holder
            )
        )
        assert third == {"won": 1, "conflict": 1}, number
        Claim.objects.all().delete()


def test_programs_claim_release_take_over_and_assign(lead: Membership, resident: Membership, track: Track):
    base = f"/api/v1/crews/{lead.crew.slug}/tracks/{track.pk}/claim/"

    def call(member: Membership, verb: str, **body: str):
        client = Client()
        client.force_login(member.user)
        return getattr(client, verb)(base, body, content_type="application/json")

    assert call(lead, "get").json() == {"claim": None}
    assert call(resident, "post").json()["holder"]["username"] == resident.user.username
    assert call(lead, "post").status_code == 409
    taken = call(lead, "post", take_over_from=resident.user.username, note="tonight").json()
    assert (taken["holder"]["username"], taken["note"]) == (lead.user.username, "tonight")
    assert call(lead, "post", take_over_from="nobody", note="x").status_code == 409
    assert call(resident, "delete").status_code == 403
    assert call(resident, "put", to=resident.user.username).status_code == 403
    assert call(lead, "put", to=resident.user.username).json()["holder"]["username"] == resident.user.username
    assert call(lead, "put", to="nobody").status_code == 404
    assert call(resident, "delete").status_code == 204
    assert call(resident, "get").json() == {"claim": None}


def test_those_about_to_lapse_are_found_soonest_first(lead: Membership, resident: Membership, crate: Crate):
    now = timezone.now()
    tracks = [factories.analysed_track(lead, crate) for _ in range(4)]
    other = factories.crew_with()
    elsewhere = factories.analysed_track(other, factories.crate(other))
    for one, member, minutes in zip(
        [*tracks, elsewhere], [lead, resident, lead, lead, other], [9, 3, 30, 9, 5], strict=True
    ):
        claim_track(member=member, track=one)
        Claim.objects.filter(track=one).update(until=now + dt.timedelta(minutes=minutes))
    lapse(tracks[3])
    soon = now + dt.timedelta(minutes=10)
    assert [claim.track for claim in lapsing_claims(soon, lead.crew)] == [tracks[1], tracks[0]]
    assert [claim.track for claim in lapsing_claims(soon)] == [tracks[1], elsewhere, tracks[0]]


def test_nobody_corrects_the_grid_of_a_track_that_another_holds(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    claim_track(member=resident, track=track)
    Claim.objects.update(until=timezone.now() + dt.timedelta(minutes=1))
    seen = str(track.analyses.get().pk)

    def correct(member: Membership):
        return correct_grid(member=member, track=track, seen=seen, change=half_a_beat_later, words="half a beat later")

    with pytest.raises(Conflict, match=f"{resident.user} holds this track until"):
        correct(lead)
    assert track.analyses.count() == 1
    correct(resident)
    claim = live_claim(track)
    assert claim is not None
    assert claim.until - timezone.now() > dt.timedelta(hours=1), "a correction is work, and renews it"
