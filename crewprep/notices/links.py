"""Links that are mailed: each names the row of its mail, signed with its time, and is kept nowhere.

It works once, for as long as its kind says and for what its kind is for.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit
from uuid import UUID

from django.conf import settings
from django.core import signing
from django.core.mail import EmailMessage
from django.urls import reverse

from crewprep.common.errors import Gone, NotFound
from crewprep.notices.models import AddressMail, Purpose


@dataclass(frozen=True, slots=True)
class Link:
    """A kind of link: what it is for, the name that its codes begin with (``address:link-used``), the page that it
    opens, and for how long it does from when the mail was written."""

    purpose: Purpose
    name: str
    page: str
    works_for: dt.timedelta

    @property
    def _signer(self) -> signing.TimestampSigner:
        return signing.TimestampSigner(salt=f"crewprep.notices.{self.name}")

    def token(self, mail: AddressMail, state: str = "") -> str:
        """What the link names its mail by, signed now; ``state`` is given back when it is opened."""
        return self._signer.sign(f"{mail.pk.hex}.{state}" if state else mail.pk.hex)

    def opened(self, token: str) -> tuple[AddressMail, str]:
        """The mail whose link this is, and the state; changes nothing.

        Raises ``NotFound`` for a changed link or a closed account, ``Gone`` for a used or old one.
        """
        try:
            mail_id, _, state = self._signer.unsign(token, max_age=None).partition(".")
            key = UUID(mail_id)
        except (signing.BadSignature, ValueError) as error:
            raise NotFound(f"{self.name}:link-wrong") from error
        mails = AddressMail.objects.select_related("recipient").filter(purpose=self.purpose)
        mail = mails.filter(pk=key, recipient__is_active=True).first()
        if mail is None:
            raise NotFound(f"{self.name}:link-wrong")
        if mail.used_at is not None:
            raise Gone(f"{self.name}:link-used")
        try:
            self._signer.unsign(token, max_age=self.works_for)
        except signing.SignatureExpired as error:
            raise Gone(f"{self.name}:link-over") from error
        return mail, state

    def message(
        self, mail: AddressMail, *, token: str, subject: str, asked: str, yours: str, not_yours: str
    ) -> EmailMessage:
        """The mail: what was asked here, what to do with the link if that was you, and what follows if it was not."""
        link = urljoin(settings.PUBLIC_URL, reverse(self.page, args=[token]))
        body = (
            f"{asked} at {settings.PUBLIC_URL}\n\n"
            f"Was that you? Then {yours}:\n{link}\n\n"
            f"Was it not you? Then do nothing: {not_yours}.\n"
        )
        headers = {
            "Message-ID": f"<{self.name}.{mail.pk.hex}@{urlsplit(settings.PUBLIC_URL).hostname}>",
            "Auto-Submitted": "auto-generated",
        }
        return EmailMessage(subject=subject, body=body, to=[mail.address], headers=headers)
