"""Mails: one each, by choice a day in one, none in quiet hours; tried again or given up by what the server says.

Sources for the headers: RFC 5322, 3.6.4 (Message-ID); RFC 2369 (List-Unsubscribe); RFC 8058 (one click); RFC 3834
(Auto-Submitted); RFC 5321, 4.2.1 (5yz answers are final).
"""

from __future__ import annotations

import datetime as dt
import smtplib
from typing import Any

import pytest
from django.core import mail as outbox
from django.core.mail import EmailMessage
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.notices import sending
from crewprep.notices.choices import choose, unsubscribe
from crewprep.notices.models import Mail, Notice
from crewprep.notices.packing import pack
from crewprep.notices.sending import LEASE, MOST_ATTEMPTS, message_of, send, send_due, take
from crewprep.notices.services import look_after, mark_all_read, sweep
from tests import factories
from tests.notices.conftest import with_address

pytestmark = pytest.mark.django_db

NOON = dt.datetime(2030, 1, 10, 12, tzinfo=dt.UTC)


@pytest.fixture
def member(lead: Membership, settings: Any) -> Membership:
    settings.PUBLIC_URL = "https://prep.invalid/"
    with_address(lead)
    return lead


def notice(member: Membership, at: dt.datetime = NOON, **changes: Any) -> Notice:
    values = {
        "kind": "returned", "about": str(Notice.objects.count()), "subject_id": member.pk, "path": "/c/x/",
        "text": f"returned proposal {Notice.objects.count()}.", "by": member.user, "happened_at": at, "by_mail": True,
    }  # fmt: skip
    made = Notice.objects.create(crew=member.crew, recipient=member.user, **{**values, **changes})
    Notice.objects.filter(pk=made.pk).update(created_at=at)
    return made


def choices(member: Membership, **changes: Any) -> None:
    values: dict[str, Any] = {
        "ways": {}, "mail_off": False, "digest": False, "digest_hour": 9, "quiet_from": None, "quiet_until": None,
        "zone": "UTC",
    }  # fmt: skip
    choose(member=member, **{**values, **changes})


def post(now: dt.datetime) -> list[str]:
    """What goes out at a moment, by subject."""
    before = len(outbox.outbox)
    pack(now=now)
    send_due(now=now)
    return [str(message.subject) for message in outbox.outbox[before:]]


def test_a_mail_is_one_sentence_and_a_link_with_a_way_out(member: Membership) -> None:
    made = notice(member)
    assert post(NOON) == [f"{member.crew.name}: {member.user} returned proposal 0."]
    message = outbox.outbox[0]
    assert message.to == [member.user.email]
    assert message.body.startswith(f"{member.user} returned proposal 0.\nhttps://prep.invalid/c/x/\n\n-- \n")
    made.refresh_from_db()
    assert made.mail is not None
    sent = message.message()
    assert sent["Message-ID"] == f"<notice.{made.mail.pk.hex}@prep.invalid>"
    assert sent["List-Unsubscribe"].startswith("<https://prep.invalid/unsubscribe/")
    assert sent["List-Unsubscribe"].strip("<>") in message.body
    assert sent["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert sent["Auto-Submitted"] == "auto-generated"
    assert sent.get_content_type() == "text/plain"
    assert (made.mail.state, made.mail.attempt) == ("sent", 1)
    assert post(NOON + dt.timedelta(days=1)) == [], "once each"


def test_without_https_there_is_no_one_click(member: Membership, settings: Any) -> None:
    settings.PUBLIC_URL = "http://prep.invalid/"
    notice(member)
    post(NOON)
    assert "List-Unsubscribe-Post" not in outbox.outbox[0].message()


def test_a_title_with_line_breaks_adds_no_header(member: Membership) -> None:
    notice(member, text="returned “Tune\r\nBcc: everybody@crew.invalid\u2028”.")
    assert post(NOON) == [f"{member.crew.name}: {member.user} returned “Tune Bcc: everybody@crew.invalid ”."]
    assert "Bcc" not in outbox.outbox[0].message()


def test_no_mail_for_what_was_read_is_of_no_use_or_is_wanted_no_more(member: Membership, resident: Membership) -> None:
    notice(member)
    mark_all_read(member=member)
    notice(member, good_until=NOON)
    notice(member, kind="approved")
    choices(member, ways={"approved": "page"})
    notice(member, at=NOON - dt.timedelta(days=4))
    notice(resident)  # has no address
    assert post(NOON) == []
    assert not Mail.objects.exists()


def test_leaving_between_packing_and_sending_stops_the_mail(member: Membership, resident: Membership) -> None:
    with_address(resident)
    notice(resident)
    pack(now=NOON)
    resident.delete()
    assert send_due(now=NOON) == 0
    assert [mail.state for mail in Mail.objects.all()] == ["dropped"]


def test_unsubscribing_between_packing_and_sending_stops_the_mail(member: Membership) -> None:
    notice(member)
    pack(now=NOON)
    unsubscribe(member)
    assert send_due(now=NOON) == 0
    assert outbox.outbox == []


def test_quiet_hours_hold_mails_back(member: Membership) -> None:
    choices(member, quiet_from=dt.time(22), quiet_until=dt.time(7), zone="Europe/Berlin")
    evening = dt.datetime(2030, 1, 10, 21, 30, tzinfo=dt.UTC)  # 22:30 in Berlin
    notice(member, at=evening)
    notice(member, at=evening, good_until=evening + dt.timedelta(minutes=15))
    assert post(evening) == []
    assert post(dt.datetime(2030, 1, 11, 5, 59, tzinfo=dt.UTC)) == []
    assert len(post(dt.datetime(2030, 1, 11, 6, 0, tzinfo=dt.UTC))) == 1, "what lapsed meanwhile is of no use"


def test_a_digest_is_one_mail_a_day(member: Membership) -> None:
    choices(member, digest=True, digest_hour=18, zone="Europe/Berlin")
    for hour in (8, 10, 16):
        notice(member, at=NOON.replace(hour=hour))
    assert post(NOON.replace(hour=16, minute=59)) == []
    assert post(NOON.replace(hour=17)) == [f"{member.crew.name}: 3 notices"]  # 18:00 in Berlin
    body = str(outbox.outbox[0].body)
    assert [body.index(f"returned proposal {number}.") for number in range(3)] == sorted(
        body.index(f"returned proposal {number}.") for number in range(3)
    )
    notice(member, at=NOON.replace(hour=17, minute=30))
    assert post(NOON.replace(hour=23)) == []
    assert post(NOON.replace(day=11, hour=17)) == [f"{member.crew.name}: 1 notice"]


class Answers:
    """A mail server that gives its answers one after the other; an exception is raised, None is a yes."""

    def __init__(self, *answers: Exception | None) -> None:
        self.answers = list(answers)

    def __call__(self, message: EmailMessage) -> int:
        answer = self.answers.pop(0)
        if answer is not None:
            raise answer
        return 1


def test_a_mail_server_that_is_away_is_asked_again_later(member: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = Answers(ConnectionRefusedError("no one there"), smtplib.SMTPResponseException(451, b"later"), None)
    monkeypatch.setattr(EmailMessage, "send", lambda message: answers(message))
    notice(member)
    pack(now=NOON)
    pauses = []
    for _ in range(2):
        assert send_due(limit=1, now=timezone.now() + dt.timedelta(days=3650)) == 0
        mail = Mail.objects.get()
        assert mail.state == "waiting"
        pauses.append(round((mail.due_at - timezone.now()).total_seconds()))
    assert pauses == [30, 60]
    assert send_due(now=timezone.now() + dt.timedelta(seconds=50)) == 0, "not due yet"
    assert send_due(now=timezone.now() + dt.timedelta(minutes=2)) == 1
    mail.refresh_from_db()
    assert (mail.state, mail.attempt, mail.error) == ("sent", 3, "")


@pytest.mark.parametrize(
    "answer",
    [
        smtplib.SMTPRecipientsRefused({"x@crew.invalid": (550, b"no such user")}),
        smtplib.SMTPDataError(554, b"refused"),
    ],
)
def test_what_the_server_refuses_for_good_is_given_up_at_once(
    member: Membership, monkeypatch: pytest.MonkeyPatch, answer: Exception
) -> None:
    answers = Answers(answer)
    monkeypatch.setattr(EmailMessage, "send", lambda message: answers(message))
    notice(member)
    pack(now=NOON)
    assert send_due(now=NOON) == 0
    mail = Mail.objects.get()
    assert (mail.state, mail.attempt) == ("failed", 1)
    assert type(answer).__name__ in mail.error


def test_a_mail_is_given_up_after_its_last_attempt(member: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = Answers(*[TimeoutError("slow")] * MOST_ATTEMPTS)
    monkeypatch.setattr(EmailMessage, "send", lambda message: answers(message))
    notice(member)
    pack(now=NOON)
    for _ in range(MOST_ATTEMPTS + 3):
        send_due(limit=1, now=timezone.now() + dt.timedelta(days=3650))
    assert (Mail.objects.get().state, answers.answers) == ("failed", [])


def test_a_sender_that_slept_past_its_lease_settles_nothing(member: Membership) -> None:
    notice(member)
    pack(now=NOON)
    slow = take(now=NOON)
    assert slow is not None
    assert take(now=NOON + LEASE) is None, "still leased"
    second = take(now=NOON + LEASE + dt.timedelta(seconds=1))
    assert second is not None
    assert not send(slow), "it wakes before the other has sent, and leaves it alone"
    assert send(second)
    assert len(outbox.outbox) == 1
    assert not sending._settle(slow, state="waiting")
    assert Mail.objects.get().state == "sent"


def test_a_mail_that_takes_its_sender_with_it_each_time_is_given_up(member: Membership) -> None:
    notice(member)
    pack(now=NOON)
    for attempt in range(MOST_ATTEMPTS):
        assert take(now=NOON + attempt * 2 * LEASE) is not None
    assert take(now=NOON + MOST_ATTEMPTS * 2 * LEASE) is None
    assert Mail.objects.get().state == "failed"


def test_the_worker_does_it_all_and_sweeps_up(member: Membership, resident: Membership) -> None:
    look_after()
    proposal = factories.proposal(resident, into=factories.crate(member))
    assert look_after() == 1
    said = f"{resident.user} proposed a sheet for “{proposal.track.title}”, and it waits for your review."
    assert [message.subject for message in outbox.outbox] == [f"{member.crew.name}: {said}"]
    assert look_after() == 0
    assert sweep() == 0
    assert sweep(now=timezone.now() + dt.timedelta(days=91)) > 0
    assert not Notice.objects.exists()
    assert not Mail.objects.exists()


def test_an_empty_mail_is_none(member: Membership) -> None:
    assert message_of(Mail.objects.create(crew=member.crew, recipient=member.user)) is None
