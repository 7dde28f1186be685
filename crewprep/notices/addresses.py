"""Whose address is it? Only a press on a link that was mailed there says so; until then nothing else is mailed there.

``User.email`` is what somebody typed, ``User.confirmed_email`` what mails go to. However ``email`` comes to be set, the
two differ until the press, so no way of setting it can be forgotten. The link names the row of its mail, signed and
with its time: it works for three days, once, and for no other address. The mail holds no word that a member could have
chosen, since it may reach a stranger, and how many go out is limited for a member and for an address.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import F
from django.utils import timezone

from crewprep.common.errors import Conflict, Gone, TooSoon
from crewprep.crews.models import User
from crewprep.notices.limits import earlier_mails, wait_after, wait_until_next, wait_words
from crewprep.notices.links import Link
from crewprep.notices.models import AddressMail, MailState, Purpose

LINK = Link(Purpose.CONFIRM, "address", "confirm-address", works_for=dt.timedelta(days=3))


@dataclass(frozen=True, slots=True)
class Standing:
    """How an address that is not confirmed stands. ``wait`` is how long until a link may be asked for, zero for now.

    ``asked_at`` is when the newest link was asked for (None: no mail of the last 30 days), ``refused`` whether the mail
    server would not take it.
    """

    asked_at: dt.datetime | None
    refused: bool
    wait: dt.timedelta


def standing_of(user: User) -> Standing:
    """How the typed address stands, where it is not confirmed; one query."""
    earlier = earlier_mails(user, user.email, Purpose.CONFIRM)
    own = [one for one in earlier if one.recipient_id == user.pk and one.address == user.email]
    newest = own[0] if own else None
    return Standing(
        asked_at=newest.created_at if newest else None,
        refused=newest is not None and newest.state == MailState.FAILED,
        wait=wait_after(user, user.email, earlier),
    )


def write_address(*, user: User, address: str) -> bool:
    """Set the address that the user typed (empty: none), which begins unconfirmed; whether a link goes out for it.

    None goes out for an unchanged address, for one that is confirmed (again), or where the limits say not yet: then the
    user asks for it later. An earlier address that is confirmed gets the mails meanwhile; without any address none do.
    """
    address = User.objects.normalize_email(address.strip())
    with transaction.atomic():
        person = User.objects.select_for_update(no_key=True).get(pk=user.pk)
        mailed = False
        if address != person.email:
            person.email = address
            person.confirmed_email = person.confirmed_email if address else ""
            person.save(update_fields=["email", "confirmed_email"])
            mailed = (
                address != ""
                and not person.address_confirmed
                and not wait_until_next(person, person.email, Purpose.CONFIRM)
            )
            if mailed:
                AddressMail.objects.create(recipient=person, address=address)
    user.refresh_from_db(fields=["email", "confirmed_email"])
    return mailed


def ask_again(*, user: User) -> AddressMail:
    """Mail the link once more. Raises ``Conflict`` where there is nothing to confirm, ``TooSoon`` with how long."""
    with transaction.atomic():
        person = User.objects.select_for_update(no_key=True).get(pk=user.pk)
        if not person.email or person.address_confirmed:
            raise Conflict("address:confirmed" if person.email else "address:none")
        if wait := wait_until_next(person, person.email, Purpose.CONFIRM):
            raise TooSoon("address:too-soon", wait=wait_words(wait))
        return AddressMail.objects.create(recipient=person, address=person.email)


def leave_earlier(*, user: User) -> None:
    """Mail nothing more to the confirmed address that a typed one is to replace."""
    with transaction.atomic():
        User.objects.filter(pk=user.pk).exclude(email=F("confirmed_email")).update(confirmed_email="")
    user.refresh_from_db(fields=["confirmed_email"])


def link_token(mail: AddressMail) -> str:
    """What the link names its mail by."""
    return LINK.token(mail)


def mail_by_token(token: str) -> AddressMail:
    """The mail whose link this is, where a press would confirm; changes nothing.

    Raises as ``Link.opened``, and ``Gone`` where the address stands no more.
    """
    mail, _ = LINK.opened(token)
    if mail.recipient.email != mail.address:
        raise Gone("address:link-overtaken")
    return mail


def confirm_address(*, token: str) -> None:
    """What the press on the link does; raises as ``mail_by_token``. Of several presses at once a single one does it."""
    with transaction.atomic():
        mail = mail_by_token(token)
        # The row of the user first: whoever types another address meanwhile comes wholly before or after.
        person = User.objects.select_for_update(no_key=True).get(pk=mail.recipient_id)
        mail = mail_by_token(token)
        AddressMail.objects.filter(
            recipient=person, address=mail.address, purpose=Purpose.CONFIRM, used_at=None
        ).update(used_at=timezone.now())
        person.confirmed_email = mail.address
        person.save(update_fields=["confirmed_email"])


def link_message(mail: AddressMail) -> EmailMessage | None:
    """The mail with the link; None where it is not wanted any more: the address was changed, or is confirmed."""
    person = mail.recipient
    if not person.is_active or person.email != mail.address or person.address_confirmed:
        return None
    return LINK.message(
        mail,
        token=link_token(mail),
        subject="Confirm your address",
        asked="Somebody wrote this address into their account",
        yours="open this page and press the button. The link works once, for three days",
        not_yours="no notices are mailed to an address that nobody has confirmed",
    )
