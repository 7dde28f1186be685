"""Who is asking: a token in the header, or the session of a page (then with its CSRF token)."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import authenticate
from django.contrib.auth.signals import user_logged_in
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.plumbing import build_bearer_security_scheme_object
from knox.auth import TokenAuthentication as KnoxAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from crewprep.api.errors import LockedOut, NotSignedIn
from crewprep.common.errors import Refused
from crewprep.crews.models import TokenScope, User
from crewprep.crews.tokens import Reach, make_token, reach_of


class TokenAuthentication(KnoxAuthentication):  # type: ignore[misc]  # knox ships no types
    """Tokens that are stored hashed and expire."""

    def authenticate_credentials(self, token: bytes) -> Any:
        """As knox does it; a token that is not even text is wrong like any other."""
        try:
            token.decode("ascii")
        except UnicodeDecodeError as error:
            raise AuthenticationFailed from error
        return super().authenticate_credentials(token)


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]  # registers itself untyped
    """How the OpenAPI document describes it."""

    target_class = TokenAuthentication
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        """``Authorization: Token …``."""
        return build_bearer_security_scheme_object(header_name="Authorization", token_prefix="Token")  # noqa: S106  a word


class GuessThrottle(SimpleRateThrottle):
    """A coarse brake on one address; the exact count of wrong passwords is kept by axes."""

    scope = "tokens"
    rate = "60/min"

    def get_cache_key(self, request: Request, view: Any) -> str:
        """By address."""
        return str(self.cache_format % {"scope": self.scope, "ident": self.get_ident(request)})


def reach(request: Request) -> Reach:
    """How far the request may reach: as its token says, or with a session as far as its user does."""
    found: Reach | None = getattr(request, "reach", None)
    if found is None:
        found = reach_of(request.auth)
        request.reach = found  # type: ignore[attr-defined]  # looked up once a request
    return found


def require_whole_account(request: Request) -> None:
    """Raises ``Refused`` where a token for one crew asks about the account."""
    if reach(request).crew_id is not None:
        raise Refused("token:one-crew")


def issue_token(*, request: Request, username: str, password: str, **asked: Any) -> tuple[TokenScope, str]:
    """A new token and its text, which is shown this once and stored hashed; ``asked`` as in ``make_token``.

    Raises ``NotSignedIn`` for a wrong name as for a wrong password, ``LockedOut`` after too many guesses.
    """
    user = who_knows(request, username, password)
    if user is None:
        raise NotSignedIn("sign-in:failed")
    token, text = make_token(user=user, **asked)
    user_logged_in.send(sender=User, request=request._request, user=user)
    return token, text


def who_knows(request: Request, username: str, password: str) -> User | None:
    """The user of that name and password, or None; guesses are counted. Raises ``LockedOut`` after too many."""
    plain = request._request
    user = authenticate(plain, username=username, password=password)
    if getattr(plain, "axes_locked_out", False):
        # The pages' middleware would put its own page in the place of our answer.
        plain.axes_locked_out = False  # type: ignore[attr-defined]  # set by its backend
        raise LockedOut("sign-in:locked")
    return user if isinstance(user, User) else None
