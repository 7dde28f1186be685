"""Changing roles and handing the lead over: a crew with members is never without a lead."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crews.models import Membership, Role
from crewprep.crews.selectors import membership_for
from crewprep.crews.services import add_member, change_role, hand_over
from tests import factories
from tests.crews.test_invitations import race, rounds


def leads(member: Membership) -> int:
    return Membership.objects.filter(crew=member.crew, role=Role.LEAD).count()


@pytest.mark.django_db
def test_a_lead_changes_roles_and_others_do_not(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    changed = change_role(member=lead, other=newcomer, role=Role.RESIDENT, seen_role=Role.NEWCOMER)
    assert changed.role == Role.RESIDENT
    row = Activity.objects.get(verb="role changed")
    assert row.details == {"before": "newcomer", "role": "resident", "person": newcomer.user_id}
    for member in (resident, newcomer):
        with pytest.raises(Refused):
            change_role(member=member, other=newcomer, role=Role.LEAD, seen_role=Role.RESIDENT)
        with pytest.raises(Refused):
            hand_over(member=member, to=newcomer)
    assert leads(lead) == 1


@pytest.mark.django_db
def test_a_role_that_changed_meanwhile_is_not_overwritten(lead: Membership, newcomer: Membership) -> None:
    change_role(member=lead, other=newcomer, role=Role.RESIDENT, seen_role=Role.NEWCOMER)
    with pytest.raises(Conflict, match="member:moved-on"):
        change_role(member=lead, other=newcomer, role=Role.LEAD, seen_role=Role.NEWCOMER)
    newcomer.refresh_from_db()
    assert newcomer.role == Role.RESIDENT


@pytest.mark.django_db
def test_the_last_lead_stays_until_the_lead_is_handed_over(lead: Membership, resident: Membership) -> None:
    with pytest.raises(Conflict, match="crew:last-lead"):
        change_role(member=lead, other=lead, role=Role.RESIDENT, seen_role=Role.LEAD)
    with pytest.raises(Invalid):
        hand_over(member=lead, to=lead)
    hand_over(member=lead, to=resident)
    assert (lead.role, resident.role) == (Role.RESIDENT, Role.LEAD)
    assert Activity.objects.get(verb="lead handed over").details == {"role": "resident", "person": resident.user_id}
    # A second time it is no longer theirs to hand over.
    with pytest.raises(Refused):
        hand_over(member=lead, to=factories.member_of(lead.crew))


@pytest.mark.django_db
def test_handing_over_may_leave_two_leads(lead: Membership, resident: Membership) -> None:
    hand_over(member=lead, to=resident, stay_as=Role.LEAD)
    assert leads(lead) == 2


@pytest.mark.django_db
def test_handing_over_is_both_or_neither(lead: Membership, resident: Membership) -> None:
    Membership.objects.filter(pk=lead.pk).update(role=Role.NEWCOMER)  # meanwhile, by somebody else
    with pytest.raises(Conflict, match="member:moved-on"):
        hand_over(member=lead, to=resident)
    resident.refresh_from_db()
    assert resident.role == Role.RESIDENT


@pytest.mark.django_db
def test_a_member_is_added_once_and_reached_from_their_crew_alone(lead: Membership, resident: Membership) -> None:
    stranger = factories.crew_with()
    assert membership_for(lead, resident.pk) == resident
    with pytest.raises(NotFound):
        membership_for(stranger, resident.pk)
    with pytest.raises(Conflict, match="member:already"):
        add_member(crew=lead.crew, user=resident.user, role=Role.LEAD, by=lead.user)


def step_down(member: Membership) -> Callable[[], object]:
    seen = Membership.objects.get(pk=member.pk)
    return lambda: change_role(member=seen, other=seen, role=Role.RESIDENT, seen_role=Role.LEAD)


@pytest.mark.django_db(transaction=True)
def test_two_leads_who_step_down_at_once_leave_one() -> None:
    first = factories.crew_with()
    second = factories.member_of(first.crew, Role.LEAD)
    factories.member_of(first.crew)
    for _ in range(rounds()):
        Membership.objects.filter(pk__in=[first.pk, second.pk]).update(role=Role.LEAD)
        outcomes = race(step_down(first), step_down(second))
        assert outcomes == {"won": 1, "crew:last-lead": 1}
        assert leads(first) == 1


@pytest.mark.server_only
@pytest.mark.django_db(transaction=True)
def test_control_without_the_lock_both_step_down(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crewprep.crews.services.lock_members", lambda crew: None)
    first = factories.crew_with()
    second = factories.member_of(first.crew, Role.LEAD)
    factories.member_of(first.crew)
    none_left = 0
    for _ in range(100):
        Membership.objects.filter(pk__in=[first.pk, second.pk]).update(role=Role.LEAD)
        race(step_down(first), step_down(second))
        none_left += leads(first) == 0
    assert none_left > 0
