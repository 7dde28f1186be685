"""What tests of notices share."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.crews.models import Membership, User
from crewprep.notices.models import Notice
from crewprep.notices.selectors import notices_of
from crewprep.review.models import Proposal

Told = Callable[[Membership], list[str]]


@pytest.fixture
def told() -> Told:
    """The sentences a member was told, oldest first."""
    return lambda member: [notice.sentence for notice in reversed(notices_of(member))]


def with_address(*members: Membership) -> None:
    """Give members a mail address that is confirmed."""
    for member in members:
        member.user.email = member.user.confirmed_email = f"{member.user.username}@crew.invalid"
        User.objects.filter(pk=member.user_id).update(email=member.user.email, confirmed_email=member.user.email)


def put_to_nobody(proposal: Proposal) -> None:
    """As where nobody was there to be asked when it was proposed."""
    Proposal.objects.filter(pk=proposal.pk).update(asked=None)


def kinds(member: Membership) -> list[str]:
    """The kinds of a member's notices, oldest first."""
    return list(Notice.objects.filter(recipient=member.user).order_by("happened_at").values_list("kind", flat=True))
