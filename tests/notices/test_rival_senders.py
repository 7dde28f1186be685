"""Several workers at once: each of 200 notices goes out in one mail, once. Runs on PostgreSQL too."""

from __future__ import annotations

import time
import uuid
from collections import Counter
from typing import Any

import pytest
from django.core import mail as outbox
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.notices import sending
from crewprep.notices.models import Mail, MailState, Notice
from crewprep.notices.packing import pack
from crewprep.notices.sending import Hold, send_due
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.notices.conftest import with_address

pytestmark = pytest.mark.django_db(transaction=True)

NOTICES = 200


def many_notices(count: int = NOTICES) -> list[Membership]:
    """Notices for four members in turn."""
    lead = factories.crew_with()
    members = [lead, *(factories.member_of(lead.crew) for _ in range(3))]
    with_address(*members)
    Notice.objects.bulk_create(
        Notice(
            crew=lead.crew, recipient=members[number % 4].user, kind="returned", about=str(number),
            subject_id=uuid.uuid4(), text=f"returned proposal {number}.", path="/", happened_at=timezone.now(),
            by_mail=True,
        )
        for number in range(count)
    )  # fmt: skip
    return members


def post() -> None:
    pack()
    send_due(limit=NOTICES)


def told_by(action: Any, rivals: int = 2) -> Counter[str]:
    """How often each mail went out, by its Message-ID."""
    answers = at_once(action, rivals)
    assert not [answer for answer in answers if isinstance(answer, BaseException)]
    action()  # what both had skipped as locked
    return Counter(message.message()["Message-ID"] for message in outbox.outbox)


def test_two_workers_at_once_mail_each_notice_once() -> None:
    many_notices()
    sent = told_by(post)
    assert len(sent) == NOTICES
    assert set(sent.values()) == {1}
    told = [str(message.body).splitlines()[0] for message in outbox.outbox]
    assert Counter(told) == {f"Returned proposal {number}.": 1 for number in range(NOTICES)}
    assert {mail.state for mail in Mail.objects.all()} == {"sent"}
    assert Notice.objects.filter(mail=None).count() == 0


@pytest.mark.server_only
def test_control_without_the_claim_mails_go_out_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    def naive(*, now: Any = None, model: Any = None) -> Hold | None:
        mail = Mail.objects.filter(state=MailState.WAITING).order_by("due_at").first()
        if mail is None:
            return None
        time.sleep(0.01)  # where a rival may come in; by chance alone they meet too rarely for a test
        hold = Hold(mail.pk, uuid.uuid4(), 1)
        Mail.objects.filter(pk=mail.pk).update(state=MailState.SENDING, token=hold.token, lease_until=timezone.now())
        return hold

    monkeypatch.setattr(sending, "take", naive)
    many_notices()
    assert max(told_by(post, rivals=4).values()) > 1
