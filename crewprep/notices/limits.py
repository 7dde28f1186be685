"""How many mails with links go out: few for a member, few to an address, since strangers may ask for them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

from django.db.models import Q
from django.utils import timezone

from crewprep.crews.models import User
from crewprep.notices.models import AddressMail, MailState, Purpose

_Counts = Callable[[bool, bool], bool]
LIMITS: tuple[tuple[_Counts, dt.timedelta, int], ...] = (
    (lambda own, same: own and same, dt.timedelta(minutes=10), 1),
    (lambda own, same: own, dt.timedelta(days=1), 5),
    (lambda own, same: same, dt.timedelta(days=1), 3),
    (lambda own, same: same, dt.timedelta(days=30), 10),
)
"""Which earlier mails count (for the same member, sent to the same address), for how long, how many may go."""


def earlier_mails(user: User, address: str, purpose: Purpose) -> list[AddressMail]:
    """Mails that may count against the limits, newest first; one that never left does not. One query."""
    since = timezone.now() - max(span for _, span, _ in LIMITS)
    mails = AddressMail.objects.filter(
        Q(recipient=user) | Q(address__iexact=address), purpose=purpose, created_at__gt=since
    )
    return list(mails.exclude(state=MailState.DROPPED).order_by("-created_at"))


def wait_until_next(user: User, address: str, purpose: Purpose) -> dt.timedelta:
    """How long until every limit lets another mail go (zero: now); one query."""
    return wait_after(user, address, earlier_mails(user, address, purpose))


def wait_after(user: User, address: str, earlier: Sequence[AddressMail]) -> dt.timedelta:
    """The same where the earlier mails are known: until the oldest of a limit's newest ``most`` counts no more."""
    now = timezone.now()
    waits = [dt.timedelta()]
    for counts, span, most in LIMITS:
        times = [
            one.created_at
            for one in earlier
            if counts(one.recipient_id == user.pk, one.address.lower() == address.lower())
        ]
        if len(times) >= most:
            waits.append(times[most - 1] + span - now)
    return max(waits)


def wait_words(wait: dt.timedelta) -> str:
    """A wait, rounded up: ``1 minute``, ``9 minutes``, ``3 hours``, ``12 days``."""
    for name, length in (("day", dt.timedelta(days=1)), ("hour", dt.timedelta(hours=1))):
        if wait > 2 * length:
            return f"{-(-wait // length)} {name}s"
    minutes = max(1, -(-wait // dt.timedelta(minutes=1)))
    return f"{minutes} minute{'s' if minutes > 1 else ''}"
