"""How many links go out: one in ten minutes and five a day for a member, three a day and ten a month to an address."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from crewprep.common.errors import TooSoon
from crewprep.crews.models import Membership, User
from crewprep.notices.addresses import ask_again, standing_of, write_address
from crewprep.notices.limits import wait_words
from crewprep.notices.models import AddressMail
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.notices.test_addresses import NEW, later, sent

pytestmark = pytest.mark.django_db


@pytest.fixture
def user(lead: Membership) -> User:
    return lead.user


def test_another_link_for_an_address_after_ten_minutes(user: User) -> None:
    write_address(user=user, address=NEW)
    with pytest.raises(TooSoon) as refused:
        ask_again(user=user)
    assert "ask again in 10 minutes." in refused.value.sentence
    later(user, minutes=9, seconds=30)
    with pytest.raises(TooSoon, match="in 1 minute"):
        ask_again(user=user)
    later(user, minutes=1)
    assert standing_of(user).wait == dt.timedelta()
    ask_again(user=user)


def test_a_slip_is_put_right_at_once_and_five_mails_go_a_day(user: User) -> None:
    for number in range(5):
        assert write_address(user=user, address=f"slip{number}@crew.invalid")
        assert len(sent()) == 1
    assert not write_address(user=user, address=NEW), "the address is kept, the mail is for later"
    assert user.email == NEW
    assert sent() == []
    with pytest.raises(TooSoon, match="in 24 hours"):
        ask_again(user=user)
    later(user, hours=25)
    ask_again(user=user)
    assert sent() == [(NEW, "Confirm your address")]


def test_one_address_is_mailed_three_times_a_day_whoever_asks_and_ten_in_a_month() -> None:
    def asked(address: str = NEW) -> list[bool]:
        return [write_address(user=factories.user(), address=address) for _ in range(4)]

    assert asked() == [True, True, True, False]
    assert asked("other@crew.invalid") == [True, True, True, False]
    assert asked(NEW.upper()) == [False] * 4
    for _ in range(3):
        AddressMail.objects.filter(address__iexact=NEW).update(created_at=timezone.now() - dt.timedelta(days=2))
        asked()
    assert AddressMail.objects.filter(address__iexact=NEW).count() == 10
    with pytest.raises(TooSoon, match="in 28 days"):
        ask_again(user=User.objects.filter(email=NEW).latest("pk"))


def test_a_wait_is_told_in_whole_units() -> None:
    minutes = [0.1, 9.1, 120, 150, 3 * 24 * 60]
    assert [wait_words(dt.timedelta(minutes=one)) for one in minutes] == [
        "1 minute", "10 minutes", "120 minutes", "3 hours", "3 days",
    ]  # fmt: skip


@pytest.mark.django_db(transaction=True)
def test_requests_at_once_mail_one_link() -> None:
    user = factories.user()
    User.objects.filter(pk=user.pk).update(email=NEW)

    def ask() -> str:
        try:
            ask_again(user=user)
        except TooSoon as error:
            return error.code
        return "asked"

    assert sorted(at_once(ask, 4)) == ["address:too-soon"] * 3 + ["asked"]
    assert AddressMail.objects.count() == 1
