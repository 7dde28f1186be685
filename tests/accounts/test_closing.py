"""Closing an account: nothing is left of who it was, and everything of what was done."""

from __future__ import annotations

from typing import Any

import pytest
from axes.models import AccessAttempt
from django.apps import apps
from django.contrib.sessions.models import Session
from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError
from django.test import Client
from django.urls import reverse
from knox.models import AuthToken

from crewprep.accounts.closing import close_account
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Refused
from crewprep.crates.models import Crate
from crewprep.crews.invitations import invite, join_with_account
from crewprep.crews.models import Membership, Role, User
from crewprep.crews.services import change_role, hand_over
from crewprep.crews.tokens import make_token
from crewprep.preparation.models import Claim
from crewprep.preparation.services import assign_track, keep_work
from crewprep.review.models import Proposal
from crewprep.review.services import approve_proposal
from crewprep.sheets.keeping import Work
from crewprep.sheets.models import KeptSheet, SheetVersion
from crewprep.web.recent import recent
from tests import factories
from tests.crews.test_invitations import race, rounds
from tests.factories.people import PASSWORD


def everywhere(words: list[str]) -> list[str]:
    """Every column of every table in which one of the words still stands."""
    found = []
    encode = DjangoJSONEncoder().encode
    for model in apps.get_models(include_auto_created=True):
        for row in model._base_manager.all():
            for field in model._meta.concrete_fields:
                value = getattr(row, field.attname)
                text = value if isinstance(value, str) else encode(value) if isinstance(value, dict | list) else ""
                found += [f"{model.__name__}.{field.name}: {word}" for word in words if word in text]
    return found


@pytest.fixture
def person(lead: Membership, crate: Crate) -> Membership:
    """Somebody with names that stand nowhere else, who has done and left a little of everything."""
    _, link = invite(member=lead, role=Role.NEWCOMER, note="Zephyrine, the one with the records")
    member = join_with_account(token=link, username="zephyrine", display_name="Zephyrine Tarn", password=PASSWORD)
    member.user.email = "zephyrine@example.org"
    member.user.first_name = "Zephyrine"
    member.user.save()
    change_role(member=lead, other=member, role=Role.RESIDENT, seen_role=Role.NEWCOMER)
    track = factories.analysed_track(lead, crate)
    assign_track(member=lead, track=track, to=member)
    keep_work(member=member, track=track, version=crate.convention_version, work=Work([], "", ""), seen_revision=0)
    make_token(user=member.user, name="mine")
    client = Client()
    client.post(reverse("sign-in"), {"username": "zephyrine", "password": "wrong"})
    client.force_login(member.user)
    return member


@pytest.mark.django_db
def test_nothing_is_left_of_who_it_was(person: Membership) -> None:
    words = ["zephyrine", "Zephyrine", "Tarn"]
    assert {place.partition(":")[0] for place in everywhere(words)} >= {
        "User.username", "User.display_name", "User.email", "AccessAttempt.username", "Invitation.note",
    }  # fmt: skip
    sessions = Session.objects.count()
    close_account(user=person.user)
    assert everywhere(words) == []
    assert Session.objects.count() == sessions - 1
    assert not AuthToken.objects.filter(user=person.user_id).exists()
    assert not KeptSheet.objects.exists()
    assert not Claim.objects.exists()
    assert not AccessAttempt.objects.exists()
    user = User.objects.get(pk=person.user_id)
    assert (str(user), user.is_active, user.has_usable_password()) == ("former member 1", False, False)
    for name in ("zephyrine", user.username):
        assert Client().post(reverse("sign-in"), {"username": name, "password": PASSWORD}).status_code == 200


@pytest.mark.django_db
def test_what_was_done_stays_true(person: Membership, lead: Membership, crate: Crate) -> None:
    approved = factories.proposal(person, into=crate)
    approve_proposal(member=lead, proposal=approved, seen_revision=1)
    open_one = factories.proposal(person, into=crate)
    rows = list(Activity.objects.order_by("created_at", "pk").values())
    close_account(user=person.user)
    assert list(Activity.objects.order_by("created_at", "pk").values())[: len(rows)] == rows
    sheet = SheetVersion.objects.get(proposal=approved)
    assert (sheet.proposed_by_id, str(sheet.proposed_by)) == (person.user_id, "former member 1")
    told = [f"{happening.who} {happening.what}" for happening in recent(lead)]
    assert "former member 1 left the crew" in told
    assert f"{lead.user} made former member 1 resident" in told
    # The work is still theirs: nobody's own proposal becomes reviewable, in code or in the tables.
    with pytest.raises(IntegrityError):
        Proposal.objects.filter(pk=open_one.pk).update(reviewed_by=person.user_id)


@pytest.mark.django_db
def test_an_open_proposal_of_theirs_is_reviewed_as_ever(person: Membership, lead: Membership, crate: Crate) -> None:
    proposal = factories.proposal(person, into=crate)
    close_account(user=person.user)
    again = factories.member_of(lead.crew, person=User.objects.get(pk=person.user_id))
    with pytest.raises(Refused, match="proposal:own"):
        approve_proposal(member=again, proposal=proposal, seen_revision=1)
    again.delete()
    approve_proposal(member=lead, proposal=Proposal.objects.get(pk=proposal.pk), seen_revision=1)


@pytest.mark.django_db
def test_the_last_lead_hands_over_first(lead: Membership, resident: Membership) -> None:
    alone = factories.crew_with(lead.user)
    with pytest.raises(Conflict, match="crew:last-lead"):
        close_account(user=lead.user)
    assert User.objects.get(pk=lead.user_id).is_active
    assert Membership.objects.filter(user=lead.user).count() == 2, "refused means nothing is done"
    hand_over(member=lead, to=resident)
    close_account(user=lead.user)  # a crew of one's own alone holds nobody back
    assert not Membership.objects.filter(crew=alone.crew).exists()


@pytest.mark.django_db
def test_an_account_is_closed_once(resident: Membership) -> None:
    close_account(user=resident.user)
    with pytest.raises(Conflict, match="account:closed"):
        close_account(user=resident.user)


@pytest.mark.django_db(transaction=True)
def test_two_who_close_at_once_get_two_numbers() -> None:
    lead = factories.crew_with()
    for _ in range(max(5, rounds() // 4)):
        people: list[Any] = [factories.member_of(lead.crew).user for _ in range(2)]
        outcomes = race(*(lambda user=user: close_account(user=user) for user in people))
        assert outcomes == {"won": 2}
    closed = User.objects.exclude(former_number=None).order_by("former_number")
    assert [user.former_number for user in closed] == list(range(1, closed.count() + 1))
    assert not Membership.objects.exclude(pk=lead.pk).exists()
