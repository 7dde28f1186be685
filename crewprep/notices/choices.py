"""Reading and changing how a member wants their notices; the signed link that stops all mail."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from uuid import UUID

from django.core import signing
from django.db import transaction

from crewprep.common.errors import Invalid, NotFound
from crewprep.crews.models import Membership
from crewprep.notices.hours import zones
from crewprep.notices.kinds import Kind, Way
from crewprep.notices.models import NoticeChoices

_SALT = "crewprep.notices.unsubscribe"


def choices_of(member: Membership) -> NoticeChoices:
    """The member's choices; those of whoever has chosen nothing are not saved."""
    found = NoticeChoices.objects.filter(crew=member.crew, user=member.user_id).first()
    return found or NoticeChoices(crew=member.crew, user=member.user)


def choices_in(crew_id: UUID, users: Collection[int]) -> dict[int, NoticeChoices]:
    """The choices of several users in a crew, in one query."""
    found = {row.user_id: row for row in NoticeChoices.objects.filter(crew=crew_id, user__in=users)}
    return {user: found.get(user) or NoticeChoices(crew_id=crew_id, user_id=user) for user in users}


def choose(
    *,
    member: Membership,
    ways: Mapping[str, str],
    mail_off: bool,
    digest: bool,
    digest_hour: int,
    quiet_from: dt.time | None,
    quiet_until: dt.time | None,
    zone: str,
) -> NoticeChoices:
    """Set one's own choices; kinds that are not named stay as they are. Raises ``Invalid``."""
    for kind, way in ways.items():
        if kind not in Kind.values or way not in Way.values:
            raise Invalid("notice:unknown-kind", kind=kind, way=way)
    if zone not in zones():
        raise Invalid("notice:unknown-zone", zone=zone)
    if (quiet_from is None) != (quiet_until is None) or (quiet_from is not None and quiet_from == quiet_until):
        raise Invalid("notice:quiet-hours")
    if not 0 <= digest_hour <= 23:
        raise Invalid("notice:digest-hour")
    with transaction.atomic():
        before = choices_of(member)
        changed, _ = NoticeChoices.objects.update_or_create(
            crew=member.crew,
            user=member.user,
            defaults={
                "ways": {**before.ways, **ways}, "mail_off": mail_off, "digest": digest, "digest_hour": digest_hour,
                "quiet_from": quiet_from, "quiet_until": quiet_until, "zone": zone,
            },
        )  # fmt: skip
    return changed


def unsubscribe_token(member: Membership) -> str:
    """What a link in a mail names the member by; good for as long as the membership lasts."""
    return signing.Signer(salt=_SALT).sign(member.pk.hex)


def member_by_token(token: str) -> Membership:
    """Whom such a link is for; raises ``NotFound`` for a changed link and for a member who left."""
    try:
        member_id = UUID(signing.Signer(salt=_SALT).unsign(token))
    except (signing.BadSignature, ValueError) as error:
        raise NotFound from error
    member = Membership.objects.select_related("crew", "user").filter(pk=member_id).first()
    if member is None:
        raise NotFound
    return member


def unsubscribe(member: Membership) -> None:
    """Stop all mail of the crew to the member; the page keeps its notices."""
    with transaction.atomic():
        NoticeChoices.objects.update_or_create(crew=member.crew, user=member.user, defaults={"mail_off": True})
