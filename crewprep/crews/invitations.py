"""Joining by a link that works once.

A link's token has 256 random bits (OWASP Cheat Sheet Series, "Forgot Password": random, long, single use, expiring)
and is stored hashed; a plain hash does, since there is nothing to guess. Used, withdrawn, expired and invented tokens
are answered alike, so that a link tells nothing about a crew to whoever finds it later.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from collections.abc import Callable

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, NotFound
from crewprep.crews.models import Invitation, Membership, Role, User
from crewprep.crews.rules import may_look_after_members
from crewprep.crews.selectors import usable_invitations
from crewprep.crews.services import add_member

VALID_FOR = dt.timedelta(days=7)
TOKEN_BYTES = 32


def invite(*, member: Membership, role: Role, note: str = "") -> tuple[Invitation, str]:
    """A new invitation and the text of its token, which nobody can read again. Raises ``Refused``."""
    may_look_after_members(member).require()
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with transaction.atomic():
        invitation = Invitation.objects.create(
            crew=member.crew,
            role=role,
            note=note.strip()[:120],
            token_hash=_hashed(token),
            made_by=member.user,
            expires_at=timezone.now() + VALID_FOR,
        )
        record(actor=member.user, verb="member invited", subject=invitation, role=str(role))
    return invitation, token


def withdraw_invitation(*, member: Membership, invitation: Invitation) -> None:
    """Make an invitation worthless (leads). Raises ``Conflict`` where it has been used or withdrawn already."""
    may_look_after_members(member).require()
    with transaction.atomic():
        if not usable_invitations().filter(pk=invitation.pk).update(withdrawn_at=timezone.now()):
            raise Conflict("invitation:settled")
        record(actor=member.user, verb="invitation withdrawn", subject=invitation, role=invitation.role)


def invitation_of(token: str) -> Invitation:
    """The invitation that a link opens; raises ``NotFound`` alike for every token that does not work."""
    found = usable_invitations().filter(token_hash=_hashed(token)).select_related("crew", "made_by").first()
    if found is None:
        raise NotFound("invitation:none")
    return found


def join(*, token: str, user: User) -> Membership:
    """Use an invitation. Of several who use one at once a single one gets in.

    Raises ``NotFound`` where it does not work (any more), ``Conflict`` for a member, whose link stays unused.
    """
    return _use(token, lambda: user)


def join_with_account(*, token: str, username: str, display_name: str, password: str) -> Membership:
    """Make an account and use the invitation with it, both or neither; the password has been validated.

    Raises ``NotFound`` as ``join`` does, ``Conflict`` where the name has been taken meanwhile.
    """

    def make() -> User:
        if User.objects.filter(username__iexact=username).exists():
            raise Conflict("account:name-taken")
        try:
            with transaction.atomic():
                return User.objects.create_user(username=username, password=password, display_name=display_name)
        except IntegrityError as error:
            raise Conflict("account:name-taken") from error

    return _use(token, make)


def _use(token: str, person: Callable[[], User]) -> Membership:
    with transaction.atomic():
        invitation = invitation_of(token)
        user = person()
        used = usable_invitations().filter(pk=invitation.pk).update(used_at=timezone.now(), used_by=user)
        if not used:
            raise NotFound("invitation:none")
        return add_member(crew=invitation.crew, user=user, role=Role(invitation.role), by=user, verb="member joined")


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
