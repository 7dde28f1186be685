"""Waiting notices into mails: one each, or all of a day in one; none in quiet hours, none that was read meanwhile.

A notice is packed by setting its mail where it has none, under a lock on the membership, so that of two workers one
packs. What the member chose counts at this moment, not when the thing happened.
"""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.db import transaction
from django.db.models import Q, QuerySet

from crewprep.crews.models import Membership
from crewprep.jobs import clock
from crewprep.notices.choices import choices_of
from crewprep.notices.hours import is_quiet, last_strike
from crewprep.notices.kinds import Way
from crewprep.notices.models import Mail, Notice

STALE_AFTER = dt.timedelta(days=3)
"""What no worker came to mail for so long is on the page alone."""
IN_ONE_MAIL = 200


def pack(*, now: dt.datetime | None = None) -> int:
    """Make the mails that are due by now; how many."""
    now = now or clock.now()
    waiting = list(_waiting(now).order_by().values_list("crew_id", "recipient_id").distinct())
    return sum(_pack_for(crew_id, user, now) for crew_id, user in waiting)


def _waiting(now: dt.datetime) -> QuerySet[Notice]:
    return Notice.objects.filter(
        Q(good_until__isnull=True) | Q(good_until__gt=now),
        by_mail=True, mail__isnull=True, read_at__isnull=True, created_at__gt=now - STALE_AFTER,
    )  # fmt: skip


@transaction.atomic
def _pack_for(crew_id: UUID, user: int, now: dt.datetime) -> int:
    members = Membership.objects.filter(crew=crew_id, user=user, user__is_active=True).exclude(user__confirmed_email="")
    member = members.select_for_update(of=("self",), no_key=True).select_related("crew", "user").first()
    if member is None:
        return 0
    choices = choices_of(member)
    if is_quiet(now, choices.zone, choices.quiet_from, choices.quiet_until):
        return 0
    notices = list(_waiting(now).filter(crew=crew_id, recipient=user).order_by("happened_at"))
    wanted = [one for one in notices if choices.way(one.kind) == Way.MAIL]
    unwanted = {one.pk for one in notices} - {one.pk for one in wanted}
    Notice.objects.filter(pk__in=unwanted).update(by_mail=False)
    if not choices.digest:
        return sum(_into_mail(member, [one], now, digest=False) for one in wanted)
    strike = last_strike(now, choices.zone, choices.digest_hour)
    return _into_mail(member, [one for one in wanted if one.created_at <= strike][:IN_ONE_MAIL], now, digest=True)


def _into_mail(member: Membership, notices: list[Notice], now: dt.datetime, *, digest: bool) -> int:
    if not notices:
        return 0
    mail = Mail.objects.create(crew_id=member.crew_id, recipient_id=member.user_id, digest=digest, due_at=now)
    Notice.objects.filter(pk__in=[one.pk for one in notices], mail=None).update(mail=mail)
    return 1
