"""Giving a member a calendar address, and withdrawing it."""

from __future__ import annotations

import hashlib
import secrets

from django.db import transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.readiness.models import CalendarFeed

TOKEN_BYTES = 32


def give_feed(*, member: Membership) -> str:
    """Make or renew the member's calendar address and return its secret, which is not kept; an older one stops."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with transaction.atomic():
        feed, new = CalendarFeed.objects.update_or_create(
            membership=member,
            defaults={"crew_id": member.crew_id, "token_sha256": fingerprint(token), "given_at": timezone.now()},
        )
        record(actor=member.user, verb="calendar address given" if new else "calendar address renewed", subject=feed)
    return token


def withdraw_feed(*, member: Membership) -> None:
    """Let the member's calendar address read nothing any more; raises ``NotFound`` with ``feed:none``."""
    with transaction.atomic():
        feed = CalendarFeed.objects.filter(membership=member).first()
        if feed is None or not CalendarFeed.objects.filter(pk=feed.pk).delete()[0]:
            raise NotFound("feed:none")
        record(actor=member.user, verb="calendar address withdrawn", subject=feed)


def fingerprint(token: str) -> str:
    """What is kept of a secret. It is long and random, so that a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()
