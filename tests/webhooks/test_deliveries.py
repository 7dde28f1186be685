"""From a verdict to the receiver: queued once, signed, tried again with growing pauses, given up, sent again."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections import Counter
from typing import Any

import pytest
from django.utils import timezone

from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.models import Activity
from crewprep.notices.deriving import derive
from crewprep.notices.services import look_after
from crewprep.review.models import Proposal
from crewprep.review.services import approve_proposal, return_proposal
from crewprep.webhooks import delivering
from crewprep.webhooks.delivering import LEASE, MOST_ATTEMPTS, deliver, deliver_due, pause_s, sweep, take
from crewprep.webhooks.models import Delivery, Webhook
from crewprep.webhooks.outside import NoAnswer, NotOutside
from crewprep.webhooks.services import (
    MOST,
    add_webhook,
    remove_webhook,
    renew_secret,
    send_again,
    switch_webhook,
)  # fmt: skip
from crewprep.webhooks.signing import headers
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.webhooks.receiver import receiving

pytestmark = pytest.mark.django_db

URL = "https://receiver.invalid/hook"


@pytest.fixture
def proposal(resident: Membership, crate: Crate) -> Proposal:
    return factories.proposal(resident, into=crate)


def far() -> dt.datetime:
    return timezone.now() + dt.timedelta(days=30)


class Answers:
    """In place of the network: what each request comes to, and what was sent."""

    def __init__(self, *answers: int | tuple[int, str] | Exception) -> None:
        self.answers, self.sent = list(answers), []  # type: ignore[var-annotated]  # url, body and headers

    def __call__(self, url: str, body: bytes, headers: dict[str, str]) -> tuple[int, str]:
        self.sent.append((url, body, headers))
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer if isinstance(answer, tuple) else (answer, "")


def answering(monkeypatch: pytest.MonkeyPatch, *answers: Any) -> Answers:
    made = Answers(*answers)
    monkeypatch.setattr(delivering, "post", made)
    return made


def test_a_verdict_reaches_the_receiver_signed(
    lead: Membership, resident: Membership, proposal: Proposal, settings
) -> None:
    settings.WEBHOOK_NETWORKS, settings.WEBHOOK_PLAIN_HTTP = ["127.0.0.1/32"], True
    other = factories.crew_with()
    with receiving() as receiver:
        _, secret = add_webhook(member=lead, url=f"http://127.0.0.1:{receiver.port}/hook")
        add_webhook(member=other, url=f"http://127.0.0.1:{receiver.port}/other")
        return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Not yet.")
        look_after()
        second = factories.proposal(resident, into=factories.crate(lead))
        approve_proposal(member=lead, proposal=second, seen_revision=1)
        look_after()
        look_after()
    assert [path for path, _, _ in receiver.got] == ["/hook", "/hook"]
    told = [json.loads(body) for _, _, body in receiver.got]
    assert [one["type"] for one in told] == ["proposal.returned", "proposal.approved"]
    row = Activity.objects.get(verb="approved")
    assert told[1] == {
        "id": str(row.pk),
        "type": "proposal.approved",
        "timestamp": row.created_at.isoformat(),
        "data": {
            "crew": {"slug": lead.crew.slug, "name": lead.crew.name},
            "track": {"id": str(second.track.pk), "title": second.track.title, "artist": second.track.artist},
            "proposal": str(second.pk),
            "sheet": 1,
        },
    }
    assert told[0]["data"]["sheet"] is None
    _, got, body = receiver.got[1]
    expected = headers(secret=secret, message_id=got["webhook-id"], timestamp=int(got["webhook-timestamp"]), body=body)
    assert got["webhook-signature"] == expected["webhook-signature"]
    assert abs(int(got["webhook-timestamp"]) - timezone.now().timestamp()) < 300
    assert got["Content-Type"] == "application/json"
    settled = [(one.state, one.answer, one.attempt) for one in Delivery.objects.all()]
    assert settled == [("delivered", "Answered 204.", 1)] * 2


def test_what_happened_before_it_was_added_or_while_it_was_off_is_not_told(
    lead: Membership, proposal: Proposal
) -> None:
    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Not yet.")
    webhook, _ = add_webhook(member=lead, url=URL)
    derive()
    assert Delivery.objects.count() == 0
    assert switch_webhook(member=lead, webhook=webhook, active=False)
    assert not switch_webhook(member=lead, webhook=webhook, active=False)
    second = factories.proposal(factories.member_of(lead.crew), into=factories.crate(lead))
    approve_proposal(member=lead, proposal=second, seen_revision=1)
    derive()
    assert Delivery.objects.count() == 0


def queued(lead: Membership, proposal: Proposal) -> Delivery:
    add_webhook(member=lead, url=URL)
    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Not yet.")
    derive()
    return Delivery.objects.get()


def test_it_is_tried_again_under_the_same_id_until_it_is_given_up(
    lead: Membership, proposal: Proposal, monkeypatch: pytest.MonkeyPatch
) -> None:
    delivery = queued(lead, proposal)
    network = answering(monkeypatch, *([500, NoAnswer("No answer came."), 302, 404] * 3)[:MOST_ATTEMPTS])
    waits = []
    for _ in range(MOST_ATTEMPTS):
        assert deliver_due(limit=1, now=far()) == 0
        delivery.refresh_from_db()
        waits.append((delivery.due_at - timezone.now()).total_seconds())
    assert deliver_due(now=far()) == 0
    assert (delivery.state, delivery.attempt) == ("given up", MOST_ATTEMPTS)
    assert delivery.answer == "No answer came."
    for wait, nominal in zip(waits[:-1], [5, 20, 80, 320, 1280, 5120, 20480, 21600, 21600], strict=True):
        assert 0.8 * nominal - 1 <= wait <= 1.2 * nominal + 1
    assert {sent[2]["webhook-id"] for sent in network.sent} == {delivery.message_id}
    assert len({sent[1] for sent in network.sent}) == 1


def test_pauses_differ(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len({pause_s(3) for _ in range(20)}) > 1


def test_a_receiver_that_asks_for_time_gets_it_and_not_more_than_we_give(
    lead: Membership, proposal: Proposal, monkeypatch: pytest.MonkeyPatch
) -> None:
    delivery = queued(lead, proposal)
    answering(monkeypatch, (429, "3600"), (503, "999999"), (503, "soon"), (429, "99999"))
    waits = []
    for _ in range(4):
        deliver_due(limit=1, now=far())
        delivery.refresh_from_db()
        waits.append(round((delivery.due_at - timezone.now()).total_seconds(), -2))
    assert waits == [3600, 0, 100, 21600]


def test_gone_switches_the_webhook_off_and_a_lead_may_try_again(
    lead: Membership, proposal: Proposal, monkeypatch: pytest.MonkeyPatch
) -> None:
    delivery = queued(lead, proposal)
    answering(monkeypatch, 410, 200)
    assert deliver_due(now=far()) == 0
    delivery.refresh_from_db()
    webhook = Webhook.objects.get()
    assert (delivery.state, webhook.active) == ("given up", False)
    with pytest.raises(Conflict, match="off"):
        send_again(member=lead, delivery=delivery)
    switch_webhook(member=lead, webhook=webhook, active=True)
    send_again(member=lead, delivery=delivery)
    with pytest.raises(Conflict, match="on its way"):
        send_again(member=lead, delivery=delivery)
    assert deliver_due(now=far()) == 1


def test_an_address_that_is_not_public_is_given_up_at_once(
    lead: Membership, proposal: Proposal, monkeypatch: pytest.MonkeyPatch
) -> None:
    delivery = queued(lead, proposal)
    answering(monkeypatch, NotOutside("The host leads to an address that is not public."))
    deliver_due(now=far())
    delivery.refresh_from_db()
    assert (delivery.state, delivery.answer) == ("given up", "The host leads to an address that is not public.")


def test_a_sender_that_was_lost_leaves_it_to_the_next(
    lead: Membership, proposal: Proposal, monkeypatch: pytest.MonkeyPatch
) -> None:
    queued(lead, proposal)
    answering(monkeypatch, 200, 200)
    now = timezone.now()
    slow = take(now=now)
    assert slow is not None
    assert take(now=now + LEASE) is None
    second = take(now=now + LEASE + dt.timedelta(seconds=1))
    assert second is not None
    assert deliver(second)
    assert not deliver(slow), "it holds an old token and settles nothing"
    Delivery.objects.update(state="sending", token=second.token, lease_until=now, attempt=MOST_ATTEMPTS)
    assert take(now=far()) is None
    assert Delivery.objects.get().answer == "The sender stopped each time."


def test_leads_alone_and_each_change_is_recorded(lead: Membership, resident: Membership) -> None:
    with pytest.raises(Refused):
        add_webhook(member=resident, url=URL)
    webhook, secret = add_webhook(member=lead, url=URL)
    with pytest.raises(Conflict, match="already"):
        add_webhook(member=lead, url=URL)
    assert renew_secret(member=lead, webhook=webhook) != secret
    switch_webhook(member=lead, webhook=webhook, active=False)
    for change in (
        lambda: renew_secret(member=resident, webhook=webhook),
        lambda: switch_webhook(member=resident, webhook=webhook, active=True),
        lambda: remove_webhook(member=resident, webhook=webhook),
    ):
        with pytest.raises(Refused):
            change()
    remove_webhook(member=lead, webhook=webhook)
    with pytest.raises(Conflict):
        remove_webhook(member=lead, webhook=webhook)
    verbs = Counter(Activity.objects.filter(verb__startswith="webhook").values_list("verb", flat=True))
    assert verbs == {
        "webhook added": 1, "webhook secret renewed": 1, "webhook switched off": 1, "webhook removed": 1,
    }  # fmt: skip
    with pytest.raises(Invalid, match="must start with https"):
        add_webhook(member=lead, url="http://receiver.invalid/")
    with pytest.raises(Invalid, match="not public"):
        add_webhook(member=lead, url="https://169.254.169.254/latest/")
    for number in range(MOST):
        add_webhook(member=lead, url=f"{URL}/{number}")
    with pytest.raises(Conflict, match=f"{MOST} webhooks"):
        add_webhook(member=lead, url=f"{URL}/more")


def test_old_deliveries_are_swept(lead: Membership, proposal: Proposal) -> None:
    queued(lead, proposal)
    assert sweep(now=far() + dt.timedelta(days=1)) == 0, "it still waits"
    Delivery.objects.update(state="delivered", finished_at=timezone.now())
    assert sweep() == 0
    assert sweep(now=far() + dt.timedelta(days=1)) == 1


@pytest.mark.django_db(transaction=True)
def test_of_several_workers_each_delivery_has_one_sender(monkeypatch: pytest.MonkeyPatch) -> None:
    lead = factories.crew_with()
    webhook, _ = add_webhook(member=lead, url=URL)
    Delivery.objects.bulk_create(
        Delivery(crew=lead.crew, webhook=webhook, event="proposal.approved", activity_id=uuid.uuid4(), body="{}")
        for _ in range(60)
    )
    network = answering(monkeypatch, *[200] * 200)
    answers = at_once(lambda: deliver_due(limit=100))
    assert not [answer for answer in answers if isinstance(answer, BaseException)]
    deliver_due(limit=100)
    times = Counter(sent[2]["webhook-id"] for sent in network.sent)
    assert len(times) == 60
    assert set(times.values()) == {1}
