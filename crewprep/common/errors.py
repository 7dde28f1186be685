"""Refusals that a person can act on.

Each has a stable code and one sentence with a next step; the sentences live in ``messages.py``. The web shows the
sentence, the API answers with both (RFC 9457). ``status`` is the HTTP status of that answer.
"""

from __future__ import annotations

from typing import Any

from crewprep.common.messages import sentence_for


class DomainError(Exception):
    """Something that was asked for and is not done, with the reason."""

    status = 400

    def __init__(self, code: str, **values: Any) -> None:
        self.code = code
        self.values = values
        self.sentence = sentence_for(code, **values)
        super().__init__(f"{code}: {self.sentence}")


class NotFound(DomainError):
    """No such thing, or not for this member: the two answer alike."""

    status = 404

    def __init__(self, code: str = "not-found", **values: Any) -> None:
        super().__init__(code, **values)


class Refused(DomainError):
    """The member may not do this; the reason is shown."""

    status = 403


class Conflict(DomainError):
    """Somebody else was there first, or the thing has moved on."""

    status = 409


class Gone(DomainError):
    """It was there once, and does not come back."""

    status = 410


class TooSoon(DomainError):
    """As often as may be; later again."""

    status = 429


class Invalid(DomainError):
    """What was sent does not hold; nothing was changed."""

    status = 422
