"""The kinds of notices, and the ways in which a member may have each."""

from __future__ import annotations

from django.db import models


class Kind(models.TextChoices):
    """What a notice is about; the label is what a member chooses by."""

    REVIEW_ASKED = "review-asked", "A proposal waits for my review"
    SECOND_APPROVAL = "second-approval", "A proposal was approved once and lacks a second approval"
    RETURNED = "returned", "A proposal of mine was returned"
    APPROVED = "approved", "A proposal of mine was approved"
    REMARKED = "remarked", "Somebody wrote a remark on a proposal of mine"
    REPLIED = "replied", "Somebody replied to a remark of mine, or on a proposal of mine"
    CLAIM_LAPSING = "claim-lapsing", "My hold on a track lapses in a quarter of an hour"
    CLAIM_MOVED = "claim-moved", "Tracks were taken over from me or given to me"
    NIGHT_NEAR = "night-near", "A night is tomorrow and tracks are open"
    CONVENTION = "convention-published", "A convention was published"
    SIGNED_OFF = "signed-off", "A lead signed me off"
    MORE_PRACTICE = "more-practice", "A lead asked me for more practice"


class Way(models.TextChoices):
    """How a kind reaches a member."""

    MAIL = "mail", "Page and mail"
    PAGE = "page", "Page only"
    OFF = "off", "Not at all"


WAYS: dict[str, str] = {
    Kind.REVIEW_ASKED: Way.MAIL,
    Kind.SECOND_APPROVAL: Way.PAGE,
    Kind.RETURNED: Way.MAIL,
    Kind.APPROVED: Way.PAGE,
    Kind.REMARKED: Way.MAIL,
    Kind.REPLIED: Way.PAGE,
    Kind.CLAIM_LAPSING: Way.PAGE,
    Kind.CLAIM_MOVED: Way.MAIL,
    Kind.NIGHT_NEAR: Way.MAIL,
    Kind.CONVENTION: Way.PAGE,
    Kind.SIGNED_OFF: Way.MAIL,
    Kind.MORE_PRACTICE: Way.MAIL,
}
"""How each kind comes to whoever has chosen nothing: by mail what waits for them alone, on the page what is news.

A review that is put to a member stands still until they come, so it is a mail, whether the sheet was proposed, changed,
merged or opened again, or put to them by hand or by a first approval. That a second approval is lacking goes to all who
may give it, and mails would ask many for what one does; the one it is put to has had theirs. A remark without a verdict
is a question that waits for the authors, as a return does; of several in one sitting the first is a mail. A reply is
talk: it comes in bursts and decides nothing, and what it leads to, a change or a verdict, is told by itself.
"""
