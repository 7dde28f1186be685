"""The page that splits a crate: looked at, changed by hand, applied; nothing typed is lost. No scripts here."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.models import Assignment, Crate, Split, Track
from crewprep.preparation.selectors import live_claim
from crewprep.preparation.services import claim_track
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    made = [factories.analysed_track(lead, crate) for _ in range(4)]
    for one in made:
        factories.draft(one, crate.convention_version)
    return made


def url(crate: Crate) -> str:
    return reverse("split", args=[crate.crew.slug, crate.pk])


def sign_in(client: Client, member: Membership) -> Client:
    client.force_login(member.user)
    return client


def free(*members: Membership, minutes: str = "120") -> dict[str, str]:
    return {f"free-{one.pk}": minutes for one in members}


def form(page: str) -> dict[str, str]:
    """What the page's own form would send."""
    form = page[page.index('<form method="post" action="/c/') :]
    sent = dict(re.findall(r'<input type="hidden" name="([\w-]+)" value="([^"]*)"', form))
    for name, options in re.findall(r'<select name="([\w-]+)".*?>(<option.*?)</select>', form):
        chosen = re.search(r'value="([^"]*)" selected', options)
        sent[name] = chosen.group(1) if chosen else ""
    return sent


def test_a_lead_looks_changes_one_by_hand_and_applies(
    client: Client, lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    sign_in(client, lead)
    page = client.get(url(crate), {"look": "1", **free(lead, resident, newcomer)}).content.decode()
    assert "How it would be divided" in page
    sent = form(page)
    assert {name.partition("-")[0] for name in sent} >= {"revision", "free", "prepare", "review"}
    sent[f"prepare-{tracks[0].pk}"], sent[f"review-{tracks[0].pk}"] = str(newcomer.pk), str(lead.pk)
    page = client.post(url(crate), sent, follow=True).content.decode()
    assert "The split is applied." in page
    assert Assignment.objects.count() == 4
    row = Assignment.objects.get(track=tracks[0])
    assert (row.preparer, row.reviewer) == (newcomer.user, lead.user)
    assert Split.objects.get().free_minutes == {str(one.user_id): 120 for one in (lead, resident, newcomer)}
    crate_page = client.get(reverse("crate", args=[lead.crew.slug, crate.pk])).content.decode()
    assert f"For {newcomer.user}; {lead.user} reviews it" in crate_page
    home = sign_in(client, newcomer).get(reverse("crew-home", args=[lead.crew.slug])).content.decode()
    assert "Yours to do" in home
    assert "to prepare, about" in home
    assert f"split “{crate.name}”: 4 tracks for" in home


def test_members_look_and_leads_split(
    client: Client, lead: Membership, resident: Membership, crate: Crate, tracks: list[Track]
):
    page = sign_in(client, resident).get(url(crate), {"look": "1", **free(lead)}).content.decode()
    assert "Only a lead of the crew may do this." in page
    assert "<select" not in page
    answer = client.post(url(crate), {"revision": "0", **free(lead)})
    assert answer.status_code == 403
    assert not Split.objects.exists()


def test_nothing_typed_is_lost(
    client: Client, lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    sign_in(client, lead)
    answer = client.get(url(crate), {"look": "1", **free(lead, minutes="two hours")})
    assert answer.status_code == 422
    assert 'value="two hours"' in answer.content.decode()
    answer = client.get(url(crate), {"look": "1", **free(lead, minutes="")})
    assert "Nobody has free minutes." in answer.content.decode()
    sent = form(client.get(url(crate), {"look": "1", **free(lead, resident)}).content.decode())
    own = {
        **sent,
        f"prepare-{tracks[1].pk}": str(newcomer.pk),
        f"review-{tracks[0].pk}": sent[f"prepare-{tracks[0].pk}"],
    }
    answer = client.post(url(crate), own)
    assert answer.status_code == 422
    again = form(answer.content.decode())
    assert again[f"prepare-{tracks[1].pk}"] == str(newcomer.pk)
    assert client.post(url(crate), sent).status_code == 302
    answer = client.post(url(crate), sent)
    assert answer.status_code == 409
    assert "Another lead split this crate" in answer.content.decode()
    assert form(answer.content.decode())["revision"] == "1"
    claim_track(member=newcomer, track=tracks[0])
    answer = client.post(url(crate), {**sent, "revision": "1"})
    assert f"{newcomer.user} holds it: “{tracks[0].title}”" in answer.content.decode()


def test_who_drops_out_is_shown_first_and_applied_then(
    client: Client, lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    sign_in(client, lead)
    sent = form(client.get(url(crate), {"look": "1", **free(lead, resident, newcomer)}).content.decode())
    page = client.post(url(crate), sent, follow=True).content.decode()
    before = set(Assignment.objects.filter(preparer=newcomer.user).values_list("track", flat=True))
    held = Track.objects.get(pk=next(iter(before)))
    claim_track(member=newcomer, track=held)
    address = f"?out={newcomer.pk}"
    assert address in page
    page = client.get(url(crate) + address).content.decode()
    assert f"{newcomer.user} drops out." in page
    assert f"now {newcomer.user}" in page
    assert live_claim(held) is not None, "a look changes nothing"
    assert "The split is applied." in client.post(url(crate), form(page), follow=True).content.decode()
    assert not Assignment.objects.filter(preparer=newcomer.user).exists()
    assert Assignment.objects.filter(track__in=before).count() == len(before)
    assert live_claim(held) is None


def test_a_crate_with_nothing_left_says_so(client: Client, lead: Membership, crate: Crate):
    assert "Nothing is left to do" in sign_in(client, lead).get(url(crate)).content.decode()


def test_a_number_longer_than_any_is_refused_in_words(lead: Membership, crate: Crate) -> None:
    factories.analysed_track(lead, crate)
    page = signed_in(lead).get(at("split", lead, crate.pk), {"look": "1", f"free-{lead.pk}": "9" * 5000})
    assert page.status_code == 422
    assert "Free minutes are whole numbers from 0" in page.content.decode()
