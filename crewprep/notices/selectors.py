"""Reading notices: one's own, in one crew."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils import timezone

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.notices.models import Notice

MOST_COUNTED = 100


def notices_of(member: Membership) -> QuerySet[Notice]:
    """The member's notices in this crew, newest first."""
    return (
        Notice.objects.filter(crew=member.crew, recipient=member.user_id).select_related("by").order_by("-happened_at")
    )


def unread_of(member: Membership) -> QuerySet[Notice]:
    """Those not read yet and still of use."""
    return notices_of(member).filter(still_unread(timezone.now()))


def earlier_of(member: Membership) -> QuerySet[Notice]:
    """All others."""
    return notices_of(member).exclude(still_unread(timezone.now()))


def unread_count(member: Membership) -> int:
    """How many are unread, in one query over the index of unread ones; counted no further than ``MOST_COUNTED``."""
    return unread_of(member).order_by().select_related(None)[:MOST_COUNTED].count()


def notice_for(member: Membership, notice_id: UUID) -> Notice:
    """The only way for a request to reach a notice; raises ``NotFound`` for another's as for none."""
    notice = notices_of(member).filter(pk=notice_id).first()
    if notice is None:
        raise NotFound
    return notice


def still_unread(now: dt.datetime) -> Q:
    """Not read, and not past its use."""
    return Q(read_at__isnull=True) & (Q(good_until__isnull=True) | Q(good_until__gt=now))
