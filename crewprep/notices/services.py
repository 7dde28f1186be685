"""Reading one's notices, and what the worker does every few seconds."""

from __future__ import annotations

import datetime as dt
import logging

from django.db import transaction
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.jobs import clock
from crewprep.notices import deriving, packing, sending, watching
from crewprep.notices.models import AddressMail, Mail, MailState, Notice
from crewprep.notices.selectors import still_unread
from crewprep.webhooks import delivering

log = logging.getLogger(__name__)

KEPT_FOR = dt.timedelta(days=90)


def mark_read(*, member: Membership, notice: Notice) -> bool:
    """Mark one's notice as read; False where it was."""
    with transaction.atomic():
        mine = Notice.objects.filter(pk=notice.pk, recipient=member.user_id, read_at=None)
        return bool(mine.update(read_at=timezone.now()))


def mark_all_read(*, member: Membership) -> int:
    """Mark all of one's notices in the crew as read; how many were not."""
    now = timezone.now()
    with transaction.atomic():
        mine = Notice.objects.filter(still_unread(now), crew=member.crew, recipient=member.user_id)
        return mine.update(read_at=now)


def look_after(*, now: dt.datetime | None = None) -> int:
    """Make notices of what is new, pack mails and send them, and webhooks' messages; how many went."""
    deriving.derive(now=now)
    watching.watch_claims(now=now)
    watching.watch_nights(now=now)
    packing.pack(now=now)
    sent = sending.send_due(now=now)
    return sent + delivering.deliver_due(now=now)


def sweep(*, now: dt.datetime | None = None) -> int:
    """Remove what nobody reads again: old notices and mails, and the marks of the record's rows; how many."""
    before = (now or clock.now()) - KEPT_FOR
    with transaction.atomic():
        notices = Notice.objects.filter(created_at__lt=before).delete()[0]
        settled = [MailState.SENT, MailState.FAILED, MailState.DROPPED]
        mails = Mail.objects.filter(created_at__lt=before, state__in=settled).delete()[0]
        mails += AddressMail.objects.filter(created_at__lt=before, state__in=settled).delete()[0]
        return notices + mails + deriving.forget() + delivering.sweep(now=now)
