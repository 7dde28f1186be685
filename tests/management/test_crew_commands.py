"""Making crews and members at the prompt."""

from __future__ import annotations

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Crew, Membership, User

pytestmark = pytest.mark.django_db

PASSWORD = "correct horse battery"


def make_crew() -> None:
    call_command("create_crew", "Our crew", "our-crew", "anka", "--password", PASSWORD)


def test_a_new_crew_has_a_lead_and_a_convention() -> None:
    make_crew()
    lead = Membership.objects.get(crew__slug="our-crew")
    assert (lead.user.username, lead.role) == ("anka", "lead")
    assert lead.user.check_password(PASSWORD)
    version = current_version(lead)
    assert version is not None
    assert version.slots.count() == 8


def test_a_taken_slug_and_a_weak_password_are_refused_and_leave_nothing() -> None:
    make_crew()
    with pytest.raises(CommandError, match="already"):
        make_crew()
    with pytest.raises(CommandError, match="too short"):
        call_command("create_crew", "Other", "other", "bo", "--password", "short")
    with pytest.raises(CommandError, match="slug"):
        call_command("create_crew", "Other", "not a slug", "bo", "--password", PASSWORD)
    assert Crew.objects.count() == 1
    assert not User.objects.filter(username="bo").exists()


def test_members_are_added_once() -> None:
    make_crew()
    call_command("add_member", "our-crew", "bo", "newcomer", "--password", PASSWORD)
    assert Membership.objects.get(user__username="bo").role == "newcomer"
    with pytest.raises(CommandError, match="already"):
        call_command("add_member", "our-crew", "bo", "resident")
    with pytest.raises(CommandError, match="no crew"):
        call_command("add_member", "nowhere", "bo", "resident")


def test_an_account_is_closed_only_when_told_twice(capsys: pytest.CaptureFixture[str]) -> None:
    make_crew()
    call_command("add_member", "our-crew", "bo", "newcomer", "--password", PASSWORD)
    with pytest.raises(CommandError, match="no open account"):
        call_command("close_account", "nobody", "--yes")
    call_command("close_account", "bo")
    assert User.objects.filter(username="bo", is_active=True).exists()
    call_command("close_account", "bo", "--yes")
    assert "former member 1" in capsys.readouterr().out
    assert not User.objects.filter(username="bo").exists()
    with pytest.raises(CommandError, match="no open account"):
        call_command("close_account", "former member 1", "--yes")
    call_command("add_member", "our-crew", "cid", "newcomer", "--password", PASSWORD)
    with pytest.raises(CommandError, match="without a lead"):
        call_command("close_account", "anka", "--yes")
