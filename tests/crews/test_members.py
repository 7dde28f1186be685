"""The first door: who is a member of what."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import AnonymousUser

from crewprep.common.errors import NotFound
from crewprep.crews.models import Role
from crewprep.crews.rules import may_fill_crates, may_lead, may_prepare, may_review_at_all
from crewprep.crews.selectors import member_for, members_of
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_member_gets_in_and_a_stranger_does_not() -> None:
    lead, stranger = factories.crew_with(), factories.crew_with()
    assert member_for(lead.user, lead.crew.slug) == lead
    for user in (stranger.user, AnonymousUser()):
        with pytest.raises(NotFound) as refusal:
            member_for(user, lead.crew.slug)
        with pytest.raises(NotFound) as absent:
            member_for(user, "no-such-crew")
        assert refusal.value.sentence == absent.value.sentence


def test_a_removed_or_disabled_member_is_out_at_once() -> None:
    lead = factories.crew_with()
    member = factories.member_of(lead.crew)
    member.user.is_active = False
    member.user.save()
    with pytest.raises(NotFound):
        member_for(member.user, lead.crew.slug)
    assert lead in members_of(lead)


@pytest.mark.parametrize(
    ("role", "leads", "fills", "reviews"),
    [(Role.LEAD, True, True, True), (Role.RESIDENT, False, True, True), (Role.NEWCOMER, False, False, False)],
)
def test_what_each_role_may_do(role: Role, leads: bool, fills: bool, reviews: bool) -> None:
    member = factories.member_of(factories.crew_with().crew, role)
    assert (bool(may_lead(member)), bool(may_fill_crates(member)), bool(may_review_at_all(member))) == (
        leads,
        fills,
        reviews,
    )
    assert may_prepare(member)
