"""A new password for somebody who forgot theirs: a link to the address that they have confirmed.

Whoever asks is not told whether there is such an account (OWASP Forgot Password Cheat Sheet, which also asks for links
that work once and not for long, and for limits). The link names the row of its mail and a digest of the password that
stood, signed with its time: it works for an hour, once, and not after the password was changed in any other way or the
address gave way to another.
"""

from __future__ import annotations

import datetime as dt

from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac

from crewprep.common.errors import Gone
from crewprep.crews.models import User
from crewprep.notices.limits import wait_until_next
from crewprep.notices.links import Link
from crewprep.notices.models import AddressMail, Purpose

LINK = Link(Purpose.PASSWORD, "forgotten", "new-password", works_for=dt.timedelta(hours=1))
MOST_ACCOUNTS = 5


def ask_for_password(*, said: str) -> int:
    """Mail a link to the accounts that sign in by this name or have confirmed this address; how many go out.

    None goes out where the limits say not yet. Pages must say the same whatever comes of it.
    """
    said = said.strip()
    named = User.objects.filter(Q(username=said) | Q(confirmed_email__iexact=said), is_active=True)
    mailed = 0
    for pk in named.exclude(confirmed_email="").order_by("pk").values_list("pk", flat=True)[:MOST_ACCOUNTS]:
        with transaction.atomic():
            person = User.objects.select_for_update(no_key=True).get(pk=pk)
            address = person.confirmed_email
            if address and not wait_until_next(person, address, Purpose.PASSWORD):
                AddressMail.objects.create(recipient=person, address=address, purpose=Purpose.PASSWORD)
                mailed += 1
    return mailed


def password_token(mail: AddressMail) -> str:
    """What the link names its mail by, with a digest of the password that stands."""
    return LINK.token(mail, _digest(mail.recipient))


def password_mail(token: str) -> AddressMail:
    """The mail whose link this is, where it lets one set a password; changes nothing.

    Raises as ``Link.opened``, and ``Gone`` where password or address have changed.
    """
    mail, digest = LINK.opened(token)
    if mail.recipient.confirmed_email != mail.address or not constant_time_compare(digest, _digest(mail.recipient)):
        raise Gone("forgotten:link-overtaken")
    return mail


def set_password(*, token: str, password: str) -> User:
    """Set the password by the link, which ends every session; raises as ``password_mail``. Of several presses at once
    a single one does it."""
    with transaction.atomic():
        mail = password_mail(token)
        # The row of the user first: whoever changes the password meanwhile comes wholly before or after.
        User.objects.select_for_update(no_key=True).get(pk=mail.recipient_id)
        person = password_mail(token).recipient
        AddressMail.objects.filter(recipient=person, purpose=Purpose.PASSWORD, used_at=None).update(
            used_at=timezone.now()
        )
        person.set_password(password)
        person.save(update_fields=["password"])
    return person


def password_message(mail: AddressMail) -> EmailMessage | None:
    """The mail with the link; None where it is not wanted any more: it was used, or the address was changed."""
    person = mail.recipient
    if not person.is_active or person.confirmed_email != mail.address or mail.used_at is not None:
        return None
    return LINK.message(
        mail,
        token=password_token(mail),
        subject="Choose a new password",
        asked=f"Somebody asked for a new password for your account “{person.username}”",
        yours="open this page and choose one. The link works once, for an hour",
        not_yours="your password stays as it is, and nobody else can use the link",
    )


def _digest(user: User) -> str:
    return salted_hmac("crewprep.notices.forgotten", user.password).hexdigest()[:20]
