"""The kinds of notices, and the ways in which a member may have each."""

from __future__ import annotations

from django.db import models


class Kind(models.TextChoices):
    """What a notice is about; the label is what a member chooses by."""

    REVIEW_ASKED = "review-asked", "A proposal waits for my review"
    RETURNED = "returned", "A proposal of mine was returned"
    APPROVED = "approved", "A proposal of mine was approved"
    CLAIM_LAPSING = "claim-lapsing", "My hold on a track lapses in a quarter of an hour"
    CLAIM_MOVED = "claim-moved", "Tracks were taken over from me or given to me"
    NIGHT_NEAR = "night-near", "A night is tomorrow and tracks are open"
    CONVENTION = "convention-published", "A convention was published"


class Way(models.TextChoices):
    """How a kind reaches a member."""

    MAIL = "mail", "Page and mail"
    PAGE = "page", "Page only"
    OFF = "off", "Not at all"


WAYS: dict[str, str] = {
    Kind.REVIEW_ASKED: Way.MAIL,
    Kind.RETURNED: Way.MAIL,
    Kind.APPROVED: Way.PAGE,
    Kind.CLAIM_LAPSING: Way.PAGE,
    Kind.CLAIM_MOVED: Way.MAIL,
    Kind.NIGHT_NEAR: Way.MAIL,
    Kind.CONVENTION: Way.PAGE,
}
"""How each kind comes to whoever has chosen nothing: by mail what waits for them."""
