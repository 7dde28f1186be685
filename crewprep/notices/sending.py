"""Handing mails over, each once.

A sender claims a mail by compare-and-set with a lease and a fresh token, hands it over outside any transaction, and
marks it sent where the token is still its own. A sender that is killed before the mail server has taken the mail
leaves a lease that runs out, and the mail goes later, once. One that is killed in the moment between the server's yes
and the mark cannot be told from that: then the mail goes again under the same Message-ID (RFC 5322, 3.6.4), by which
it is recognised. The other choice, never twice, would lose mails in silence.
"""

from __future__ import annotations

import datetime as dt
import logging
import smtplib
import uuid
from dataclasses import dataclass
from typing import Any
from urllib.parse import urljoin, urlsplit

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Q, QuerySet
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.jobs import clock
from crewprep.notices.addresses import link_message
from crewprep.notices.choices import choices_of, unsubscribe_token
from crewprep.notices.forgotten import password_message
from crewprep.notices.models import AddressMail, Mail, MailState, Notice, Purpose

log = logging.getLogger(__name__)

LEASE = dt.timedelta(minutes=3)
"""Longer than a mail server may take: ``EMAIL_TIMEOUT`` bounds each of its answers."""
MOST_ATTEMPTS = 8
BACKOFF_FIRST_S = 30
BACKOFF_MOST_S = 6 * 3600

Post = type[Mail] | type[AddressMail]


@dataclass(frozen=True, slots=True)
class Hold:
    """A sender's hold on a mail."""

    mail_id: uuid.UUID
    token: uuid.UUID
    attempt: int
    model: Post = Mail


def send_due(*, limit: int = 50, now: dt.datetime | None = None) -> int:
    """Send what is due, one after the other, links first since somebody waits for them; how many were handed over."""
    sent, left = 0, limit
    for model in (AddressMail, Mail):
        while left and (hold := take(now=now, model=model)) is not None:
            left -= 1
            sent += send(hold)
    return sent


def take(*, now: dt.datetime | None = None, model: Post = Mail) -> Hold | None:
    """Claim the next mail, or one whose sender was lost; None where none is due."""
    now = now or clock.now()
    with transaction.atomic(durable=True):
        _give_up_lost(now, model)
        mail = _due(now, model).order_by("due_at").select_for_update(skip_locked=True).first()
        if mail is None:
            return None
        hold = Hold(mail.pk, uuid.uuid4(), mail.attempt + 1, model)
        # SQLite knows no row locks; its immediate transactions stand in a queue, and the condition holds in both.
        taken = _due(now, model).filter(pk=mail.pk).update(
            state=MailState.SENDING, token=hold.token, lease_until=now + LEASE, attempt=hold.attempt
        )  # fmt: skip
    return hold if taken else None


def send(hold: Hold) -> bool:
    """Hand a claimed mail over and say so; False where it was not taken, not wanted any more, or not ours."""
    mail = hold.model.objects.filter(pk=hold.mail_id).select_related("recipient").first()
    message = None if mail is None else message_of(mail)
    if message is None:
        _settle(hold, state=MailState.DROPPED)
        return False
    if not _keep(hold):
        return False  # we slept, and another sender has it
    try:
        message.send()
    except (OSError, smtplib.SMTPException) as error:
        _after_failure(hold, error)
        return False
    return _settle(hold, state=MailState.SENT, sent_at=clock.now(), error="")


def message_of(mail: Mail | AddressMail) -> EmailMessage | None:
    """The mail as it is sent: plain text; None where there is nobody to send it to or nothing in it."""
    if isinstance(mail, Mail):
        return _notices_message(mail)
    return link_message(mail) if mail.purpose == Purpose.CONFIRM else password_message(mail)


def _notices_message(mail: Mail) -> EmailMessage | None:
    member = Membership.objects.filter(crew=mail.crew_id, user=mail.recipient_id).select_related("crew", "user").first()
    notices = list(mail.notices.select_related("by").order_by("happened_at"))
    if member is None or not member.user.is_active or not member.user.confirmed_email or not notices:
        return None
    if choices_of(member).mail_off:
        return None
    stop = urljoin(settings.PUBLIC_URL, reverse("unsubscribe", args=[unsubscribe_token(member)]))
    headers = {
        "Message-ID": f"<notice.{mail.pk.hex}@{urlsplit(settings.PUBLIC_URL).hostname}>",
        "List-Unsubscribe": f"<{stop}>",
        "Auto-Submitted": "auto-generated",
    }
    if stop.startswith("https://"):  # RFC 8058, 3.1: one click is for HTTPS alone
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    return EmailMessage(
        subject=_subject(mail, notices),
        body=_body(member, notices, stop),
        to=[member.user.confirmed_email],
        headers=headers,
    )


def _subject(mail: Mail, notices: list[Notice]) -> str:
    if mail.digest:
        count = len(notices)
        return _one_line(f"{mail.crew.name}: {count} {'notice' if count == 1 else 'notices'}")
    return _one_line(f"{mail.crew.name}: {notices[0].sentence}")


def _body(member: Membership, notices: list[Notice], stop: str) -> str:
    told = [f"{_one_line(one.sentence, 500)}\n{urljoin(settings.PUBLIC_URL, one.path)}" for one in notices]
    choices = urljoin(settings.PUBLIC_URL, reverse("notice-choices", args=[member.crew.slug]))
    return "\n\n".join([*told, f"-- \nChoose what comes by mail: {choices}\nStop all mail of this crew: {stop}"]) + "\n"


def _one_line(text: str, most: int = 150) -> str:
    """A subject has no line breaks, whatever a title holds."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= most else f"{line[: most - 1]}…"


def _due(now: dt.datetime, model: Post) -> QuerySet[Mail] | QuerySet[AddressMail]:
    """Waiting and due, or in the hands of a sender that was lost."""
    lost = Q(state=MailState.SENDING, lease_until__lt=now)
    return model.objects.filter(Q(state=MailState.WAITING, due_at__lte=now) | lost)


def _give_up_lost(now: dt.datetime, model: Post) -> None:
    """A mail that takes its sender with it each time is not tried for ever."""
    model.objects.filter(state=MailState.SENDING, lease_until__lt=now, attempt__gte=MOST_ATTEMPTS).update(
        state=MailState.FAILED, token=None, lease_until=None, error="The sender stopped each time."
    )


def _keep(hold: Hold) -> bool:
    """Start the lease anew, as late as can be; False where the mail is no longer ours."""
    with transaction.atomic(durable=True):
        held = hold.model.objects.filter(pk=hold.mail_id, token=hold.token, state=MailState.SENDING)
        return bool(held.update(lease_until=clock.now() + LEASE))


def _settle(hold: Hold, **changes: Any) -> bool:
    """Change the mail where it is still in our hands."""
    with transaction.atomic(durable=True):
        held = hold.model.objects.filter(pk=hold.mail_id, token=hold.token, state=MailState.SENDING)
        settled = held.update(lease_until=None, token=None, **changes)
    if not settled:
        log.warning("Mail %s was taken by another sender meanwhile.", hold.mail_id)
    return bool(settled)


def _after_failure(hold: Hold, error: Exception) -> None:
    """Try again after a pause that doubles, or give up: what the server refuses for good, or after the last attempt."""
    told = _one_line(f"{type(error).__name__}: {error}", 200)
    if _is_final(error) or hold.attempt >= MOST_ATTEMPTS:
        log.error("Mail %s was given up after %d attempts: %s", hold.mail_id, hold.attempt, told)
        _settle(hold, state=MailState.FAILED, error=told)
        return
    pause = dt.timedelta(seconds=min(BACKOFF_FIRST_S * 2 ** (hold.attempt - 1), BACKOFF_MOST_S))
    log.warning("Mail %s could not be sent and is tried again in %s: %s", hold.mail_id, pause, told)
    _settle(hold, state=MailState.WAITING, due_at=clock.now() + pause, error=told)


def _is_final(error: Exception) -> bool:
    """Whether the server's answer is a 5yz one (RFC 5321, 4.2.1), which the same mail will get again."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return all(code >= 500 for code, _ in error.recipients.values())
    # A wrong password is the operator's to mend, and the mails wait for it.
    final = isinstance(error, smtplib.SMTPResponseException) and not isinstance(error, smtplib.SMTPAuthenticationError)
    return final and error.smtp_code >= 500  # type: ignore[attr-defined]  # the class above has it
