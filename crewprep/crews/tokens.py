"""Tokens of the API: named, expiring, for one crew or all of one's own, to read or to read and write.

The text of a token is shown once and stored hashed (knox); what it may do stands beside it in ``TokenScope``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from knox.models import AuthToken
from knox.settings import knox_settings

from crewprep.common.errors import Conflict, Invalid, NotFound
from crewprep.crews.models import Crew, Membership, TokenScope, User

MAX_DAYS = 365
LAST_USED_EVERY = dt.timedelta(minutes=1)
"""How exact ``last_used_at`` is: a program that asks a hundred times a second shall not write as often."""


@dataclass(frozen=True, slots=True)
class Reach:
    """How far whoever asks may reach: ``crew_id`` empty for all crews of the user."""

    crew_id: UUID | None = None
    read_only: bool = False


def make_token(
    *, user: User, name: str = "", crew_slug: str = "", read_only: bool = False, days: int | None = None
) -> tuple[TokenScope, str]:
    """A new token and its text. ``crew_slug`` is one of the user's crews, empty for all of them; ``days`` 1 to 365,
    by default a month.

    Raises ``NotFound`` for a crew that is not the user's, ``Invalid`` for other days, ``Conflict`` past the limit.
    """
    if days is not None and not 1 <= days <= MAX_DAYS:
        raise Invalid("token:days", most=MAX_DAYS)
    crew = None
    if crew_slug:
        membership = Membership.objects.select_related("crew").filter(user=user, crew__slug=crew_slug).first()
        if membership is None:
            raise NotFound
        crew = membership.crew
    limit = knox_settings.TOKEN_LIMIT_PER_USER
    if limit is not None and AuthToken.objects.filter(user=user, expiry__gt=timezone.now()).count() >= limit:
        raise Conflict("token:too-many", limit=limit)
    expiry = knox_settings.TOKEN_TTL if days is None else dt.timedelta(days=days)
    with transaction.atomic():
        token, text = AuthToken.objects.create(user=user, expiry=expiry, prefix=knox_settings.TOKEN_PREFIX)
        scope = TokenScope.objects.create(token=token, name=name.strip()[:60], crew=crew, read_only=read_only)
    return scope, text


def tokens_of(user: User) -> list[TokenScope]:
    """The user's tokens that still work, newest first; one from before tokens had names gets its row now."""
    bare = AuthToken.objects.filter(user=user, scope=None)
    TokenScope.objects.bulk_create([TokenScope(token=token) for token in bare], ignore_conflicts=True)
    working = Q(token__expiry=None) | Q(token__expiry__gt=timezone.now())
    return list(
        TokenScope.objects.filter(working, token__user=user).select_related("token", "crew").order_by("-token__created")
    )


def token_for(user: User, token_id: UUID) -> TokenScope:
    """One of the user's tokens; raises ``NotFound`` for another's as for none."""
    found = TokenScope.objects.filter(token__user=user, pk=token_id).select_related("token", "crew").first()
    if found is None:
        raise NotFound
    return found


def withdraw_token(*, user: User, token: TokenScope) -> None:
    """Make one of the user's tokens worthless at once; its scope goes with it."""
    AuthToken.objects.filter(user=user, digest=token.token_id).delete()


def drop_tokens(user: User, crew: Crew | None = None) -> int:
    """Drop the user's tokens for one crew, or all of them; how many there were."""
    tokens = AuthToken.objects.filter(user=user)
    if crew is not None:
        tokens = tokens.filter(scope__crew=crew)
    return int(tokens.delete()[1].get("knox.AuthToken", 0))


def reach_of(token: Any) -> Reach:
    """How far the bearer of a token reaches, noting its use; a session (no token) reaches as far as its user."""
    if not isinstance(token, AuthToken):
        return Reach()
    scope = TokenScope.objects.filter(token=token).first()
    if scope is None:
        return Reach()
    now = timezone.now()
    if scope.last_used_at is None or now - scope.last_used_at > LAST_USED_EVERY:
        TokenScope.objects.filter(pk=scope.pk).update(last_used_at=now)
    return Reach(scope.crew_id, scope.read_only)
