"""What each route asks of whoever calls it, written beside the view.

A test walks the URL map and fails for a route without a policy, and calls each route as every role, as a stranger
from another crew and with ids that do not exist.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Any, TypeVar

View = TypeVar("View", bound=Callable[..., Any])


class Policy(StrEnum):
    """Least of what a caller must be; services may refuse more, with a reason."""

    PUBLIC = "public"
    SIGNED_IN = "signed in"
    MEMBER = "member of the crew in the path"
    STAFF = "staff of the installation"


def declare(policy: Policy) -> Callable[[View], View]:
    """Mark a view with its policy."""

    def mark(view: View) -> View:
        view.policy = policy  # type: ignore[attr-defined]  # read by the test that walks the URL map
        return view

    return mark
