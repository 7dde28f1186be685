"""Links that work once: who makes them, whom they let in, and what they tell when they do not work."""

from __future__ import annotations

import datetime as dt
import threading
from collections import Counter
from collections.abc import Callable

import pytest
from django.db import connection
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, DomainError, NotFound, Refused
from crewprep.crews.invitations import VALID_FOR, invitation_of, invite, join, join_with_account, withdraw_invitation
from crewprep.crews.models import Invitation, Membership, Role, User
from crewprep.crews.selectors import invitation_for, pending_invitations
from crewprep.crews.services import change_role, hand_over
from tests import factories
from tests.factories.people import PASSWORD


@pytest.mark.django_db
def test_a_lead_invites_and_others_do_not(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    invitation, token = invite(member=lead, role=Role.RESIDENT, note="  Wim, plays on Fridays ")
    assert (invitation.note, invitation.role) == ("Wim, plays on Fridays", "resident")
    assert abs(invitation.expires_at - timezone.now() - VALID_FOR) < dt.timedelta(minutes=1)
    assert list(pending_invitations(lead)) == [invitation]
    for member in (resident, newcomer):
        with pytest.raises(Refused, match="crew:lead-only"):
            invite(member=member, role=Role.NEWCOMER)
        with pytest.raises(Refused, match="crew:lead-only"):
            withdraw_invitation(member=member, invitation=invitation)
    assert invitation_of(token) == invitation


@pytest.mark.django_db
def test_the_token_is_long_and_kept_only_as_a_hash(lead: Membership) -> None:
    tokens = {invite(member=lead, role=Role.RESIDENT)[1] for _ in range(3)}
    assert len(tokens) == 3
    for token in tokens:
        assert len(token) == 43  # 256 bits in base64 without padding (RFC 4648, 5)
    for row in Invitation.objects.values():
        assert not any(str(value) in tokens for value in row.values())


@pytest.mark.django_db
def test_somebody_joins_once(lead: Membership) -> None:
    user, other = factories.user(), factories.user()
    invitation, token = invite(member=lead, role=Role.NEWCOMER)
    member = join(token=token, user=user)
    assert (member.crew, member.user, member.role) == (lead.crew, user, Role.NEWCOMER)
    invitation.refresh_from_db()
    assert (invitation.used_by, invitation.withdrawn_at) == (user, None)
    with pytest.raises(NotFound):
        join(token=token, user=other)
    with pytest.raises(Conflict, match="invitation:settled"):
        withdraw_invitation(member=lead, invitation=invitation)
    row = Activity.objects.get(verb="member joined")
    assert (row.actor, row.details) == (user, {"role": "newcomer", "person": user.pk})


@pytest.mark.django_db
def test_a_member_leaves_the_link_unused(lead: Membership, resident: Membership) -> None:
    _, token = invite(member=lead, role=Role.NEWCOMER)
    with pytest.raises(Conflict, match="member:already"):
        join(token=token, user=resident.user)
    assert join(token=token, user=factories.user()).role == Role.NEWCOMER
    resident.refresh_from_db()
    assert resident.role == Role.RESIDENT


@pytest.mark.django_db
def test_links_that_do_not_work_answer_alike(lead: Membership) -> None:
    user = factories.user()
    used, withdrawn, expired = (invite(member=lead, role=Role.RESIDENT) for _ in range(3))
    join(token=used[1], user=factories.user())
    withdraw_invitation(member=lead, invitation=withdrawn[0])
    Invitation.objects.filter(pk=expired[0].pk).update(expires_at=timezone.now())
    said = set()
    for token in (used[1], withdrawn[1], expired[1], "never-there", "", "ü\ud800"):
        for attempt in (
            lambda token=token: invitation_of(token),
            lambda token=token: join(token=token, user=user),
            lambda token=token: join_with_account(token=token, username="wim", display_name="", password=PASSWORD),
        ):
            with pytest.raises(NotFound) as refusal:
                attempt()
            said.add((refusal.value.code, refusal.value.sentence))
    assert len(said) == 1
    assert not User.objects.filter(username="wim").exists()
    assert not pending_invitations(lead).exists()


@pytest.mark.django_db
def test_an_account_is_made_with_the_membership_or_not_at_all(lead: Membership) -> None:
    _, token = invite(member=lead, role=Role.RESIDENT)
    with pytest.raises(Conflict, match="account:name-taken"):
        join_with_account(
            token=token, username=lead.user.username.upper(), display_name="Somebody else", password=PASSWORD
        )
    assert User.objects.count() == 1
    member = join_with_account(token=token, username="wim", display_name="Wim Saltmarsh", password=PASSWORD)
    assert member.user.check_password(PASSWORD)
    assert (str(member.user), member.role) == ("Wim Saltmarsh", Role.RESIDENT)


@pytest.mark.django_db
def test_invitations_of_another_crew_look_like_none(lead: Membership) -> None:
    stranger = factories.crew_with()
    invitation, _ = invite(member=stranger, role=Role.RESIDENT)
    with pytest.raises(NotFound):
        invitation_for(lead, invitation.pk)
    assert not pending_invitations(lead).exists()


@pytest.mark.django_db
@pytest.mark.parametrize("how", ["role", "hand over"])
def test_whoever_leads_no_longer_has_no_invitations_either(how: str, lead: Membership) -> None:
    other = factories.member_of(lead.crew, Role.LEAD)
    _, mine = invite(member=lead, role=Role.LEAD)
    _, theirs = invite(member=other, role=Role.RESIDENT)
    if how == "role":
        change_role(member=other, other=lead, role=Role.RESIDENT, seen_role=Role.LEAD)
    else:
        hand_over(member=lead, to=factories.member_of(lead.crew))
    with pytest.raises(NotFound):
        invitation_of(mine)
    assert invitation_of(theirs).made_by == other.user


def race(*runners: Callable[[], object]) -> Counter[str]:
    """Run all at once; count what each came to: won, or the code of its refusal."""
    barrier = threading.Barrier(len(runners))
    outcomes: Counter[str] = Counter()

    def run(runner: Callable[[], object]) -> None:
        try:
            barrier.wait()
            runner()
            outcomes["won"] += 1
        except DomainError as error:
            outcomes[error.code] += 1
        except Exception as error:
            outcomes[repr(error)] += 1
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(runner,)) for runner in runners]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


def rounds() -> int:
    """200 where rivals really run side by side, fewer where they queue anyway."""
    return 200 if connection.vendor == "postgresql" else 10


@pytest.mark.django_db(transaction=True)
def test_of_two_who_use_a_link_at_once_one_gets_in() -> None:
    lead = factories.crew_with()
    users = factories.user(), factories.user()
    for number in range(rounds()):
        _, token = invite(member=lead, role=Role.RESIDENT)
        name = f"wim{number}"
        outcomes = race(
            lambda token=token: join(token=token, user=users[0]),  # type: ignore[misc]  # defaults bind the loop
            lambda token=token: join(token=token, user=users[1]),  # type: ignore[misc]  # defaults bind the loop
            lambda token=token, name=name: join_with_account(  # type: ignore[misc]  # defaults bind the loop
                token=token, username=name, display_name="", password=PASSWORD
            ),
        )
        assert outcomes == {"won": 1, "invitation:none": 2}
        (joined,) = Membership.objects.filter(crew=lead.crew).exclude(pk=lead.pk)
        assert User.objects.filter(username=name).exists() == (joined.user.username == name)
        joined.delete()


@pytest.mark.django_db(transaction=True)
def test_using_and_withdrawing_exclude_each_other() -> None:
    lead = factories.crew_with()
    user = factories.user()
    for _ in range(max(10, rounds() // 4)):
        invitation, token = invite(member=lead, role=Role.RESIDENT)
        outcomes = race(
            lambda token=token: join(token=token, user=user),  # type: ignore[misc]  # defaults bind the loop
            lambda invitation=invitation: withdraw_invitation(member=lead, invitation=invitation),  # type: ignore[misc]  # likewise
        )
        assert outcomes["won"] == 1, outcomes
        assert outcomes["invitation:none"] + outcomes["invitation:settled"] == 1
        Membership.objects.filter(user=user).delete()
