"""The pages of webhooks and their twins for programs: the secret once, what was delivered, sending again."""

from __future__ import annotations

import re
import uuid

import pytest
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.webhooks.models import Delivery, Webhook
from crewprep.webhooks.services import add_webhook
from crewprep.webhooks.signing import secret_of
from tests.api.conftest import caller
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db

URL = "https://receiver.invalid/hook?key=of-the-receiver"


def delivery(webhook: Webhook, state: str = "given up") -> Delivery:
    return Delivery.objects.create(
        crew=webhook.crew, webhook=webhook, event="proposal.approved", activity_id=uuid.uuid4(), body='{"a":1}',
        state=state, attempt=10, answer="Answered 500.", finished_at=timezone.now(),
    )  # fmt: skip


def test_a_lead_adds_one_and_sees_its_secret_once(lead: Membership, resident: Membership) -> None:
    client = signed_in(lead)
    assert "No address is told anything yet." in client.get(at("webhooks", lead)).content.decode()
    wrong = client.post(at("webhooks", lead), {"url": "http://receiver.invalid/"})
    assert wrong.status_code == 422
    assert "It must start with https://." in wrong.content.decode()
    assert 'value="http://receiver.invalid/"' in wrong.content.decode(), "nothing that was typed is lost"
    page = client.post(at("webhooks", lead), {"url": URL}).content.decode()
    webhook = Webhook.objects.get()
    shown = re.findall(r"whsec_[A-Za-z0-9+/=]+", page)
    assert shown == [secret_of(webhook.secret_seed)]
    for url in (at("webhooks", lead), at("webhook", lead, webhook.pk)):
        page = client.get(url).content.decode()
        assert "receiver.invalid" in page
        assert "whsec_" not in page
    page = client.post(at("webhook", lead, webhook.pk), {"do": "renew"}).content.decode()
    assert "whsec_" in page
    assert shown[0] not in page

    for url in (at("webhooks", resident), at("webhook", resident, webhook.pk)):
        answer = signed_in(resident).get(url)
        assert answer.status_code == 403
        assert "of-the-receiver" not in answer.content.decode()


def test_buttons(lead: Membership) -> None:
    client = signed_in(lead)
    webhook, _ = add_webhook(member=lead, url=URL)
    given_up = delivery(webhook)
    url = at("webhook", lead, webhook.pk)
    page = client.get(url).content.decode()
    assert "Answered 500." in page
    assert "attempt 10 of 10" in page
    again = at("delivery", lead, webhook.pk, given_up.pk)
    assert "It is sent again within seconds." in client.post(again, follow=True).content.decode()
    given_up.refresh_from_db()
    assert (given_up.state, given_up.attempt) == ("waiting", 0)
    assert "on its way" in client.post(again, follow=True).content.decode()
    assert "switched off" in client.post(url, {"do": "off"}, follow=True).content.decode()
    given_up.refresh_from_db()
    assert given_up.answer == "The webhook was switched off."
    assert "switched on" in client.post(url, {"do": "on"}, follow=True).content.decode()
    assert "choose what to do" in client.post(url, {"do": "dance"}, follow=True).content.decode()
    assert "The webhook is removed." in client.post(url, {"do": "remove"}, follow=True).content.decode()
    assert client.get(url).status_code == 404


def test_programs_do_the_same(lead: Membership, resident: Membership) -> None:
    api, base = caller(lead.user), f"/api/v1/crews/{lead.crew.slug}/webhooks/"
    made = api.post(base, {"url": URL})
    assert made.status_code == 201
    one = f"{base}{made.json()['id']}/"
    assert made.json()["secret"].startswith("whsec_")
    assert "secret" not in api.get(base).json()[0]
    assert "secret" not in api.get(one).json()
    assert api.post(base, {"url": URL}).json()["code"] == "webhook:there-already"
    assert api.post(base, {"url": "https://127.0.0.1/"}).json()["code"] == "webhook:address"
    assert api.post(f"{one}secret/").json()["secret"] != made.json()["secret"]
    assert api.put(one, {"active": False}).json()["active"] is False
    assert api.put(one, {"active": True}).json()["active"] is True
    settled = delivery(Webhook.objects.get(), "delivered")
    listed = api.get(f"{one}deliveries/").json()
    assert [row["message_id"] for row in listed["results"]] == [settled.message_id]
    assert api.post(f"{one}deliveries/{settled.pk}/again/").json()["state"] == "waiting"
    assert api.post(f"{one}deliveries/{settled.pk}/again/").json()["code"] == "webhook:under-way"
    assert caller(resident.user).get(base).status_code == 403
    assert caller(resident.user).get(one).status_code == 403
    assert api.call("DELETE", one).status_code == 204
    assert api.get(one).status_code == 404
