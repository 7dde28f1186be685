"""Nothing but one link is mailed to an address until somebody presses on it there."""

from __future__ import annotations

import datetime as dt
import re
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from django.core import mail as outbox
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from crewprep.accounts.closing import close_account
from crewprep.accounts.export import export_of
from crewprep.accounts.profile import change_profile
from crewprep.common.errors import Conflict, Gone, NotFound
from crewprep.crews.models import Membership, User
from crewprep.notices import addresses
from crewprep.notices.addresses import (
    ask_again,
    confirm_address,
    leave_earlier,
    link_token,
    mail_by_token,
    standing_of,
    write_address,
)
from crewprep.notices.models import AddressMail, Mail, MailState, Notice
from crewprep.notices.services import look_after, sweep
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.notices.conftest import with_address
from tests.notices.test_mails import choices, notice

pytestmark = pytest.mark.django_db

NEW, OLD = "new@crew.invalid", "old@crew.invalid"


@pytest.fixture(autouse=True)
def place(settings: Any) -> None:
    settings.PUBLIC_URL = "https://prep.invalid/"


@pytest.fixture
def user(lead: Membership) -> User:
    return lead.user


def sent() -> list[tuple[str, str]]:
    """What the worker's round mails: to whom, about what."""
    before = len(outbox.outbox)
    look_after()
    return [(message.to[0], str(message.subject)) for message in outbox.outbox[before:]]


def link() -> str:
    """The path of the newest link that was mailed."""
    text = "".join(str(message.body) for message in outbox.outbox)
    return re.findall(r"https://prep\.invalid(/address/\S+)", text)[-1]


def token() -> str:
    return link().removeprefix("/address/").strip("/")


def later(user: User, **span: Any) -> None:
    """Let time go by since the user's mails."""
    for one in AddressMail.objects.filter(recipient=user):
        AddressMail.objects.filter(pk=one.pk).update(created_at=one.created_at - dt.timedelta(**span))


def test_one_link_goes_to_a_typed_address_and_notices_only_once_it_is_pressed(lead: Membership, user: User) -> None:
    assert change_profile(user=user, display_name="", email=f"  {NEW} ")
    assert sent() == [(NEW, "Confirm your address")]
    assert sent() == [], "once"
    factories.proposal(factories.member_of(lead.crew), into=factories.crate(lead))
    assert sent() == []
    assert Notice.objects.filter(recipient=user).count() == 1, "the page goes on"
    assert not Mail.objects.exists()
    confirm_address(token=token())
    assert sent() == [], "what happened before stays on the page"
    waiting = notice(lead, at=timezone.now())
    assert [to for to, _ in sent()] == [NEW]
    waiting.refresh_from_db()
    assert waiting.mail is not None


@pytest.mark.parametrize("digest", [False, True])
def test_what_waits_is_not_mailed_before_and_by_its_own_rules_after(lead: Membership, user: User, digest: bool) -> None:
    """Notices that were to be mailed, as of before an address was given up: unread, of use, younger than three days."""
    write_address(user=user, address=NEW)
    sent()
    hour = (timezone.now() - dt.timedelta(hours=1)).hour
    choices(lead, digest=digest, digest_hour=hour)
    now = timezone.now()
    notice(lead, at=now - dt.timedelta(days=4))
    notice(lead, at=now - dt.timedelta(hours=30))
    notice(lead, at=now - dt.timedelta(hours=30), good_until=now)
    notice(lead, at=now - dt.timedelta(hours=30), read_at=now)
    assert sent() == []
    confirm_address(token=token())
    assert len(sent()) == 1
    assert sent() == []


def test_the_mail_holds_no_word_of_a_members_and_is_no_news_letter(lead: Membership, user: User) -> None:
    User.objects.filter(pk=user.pk).update(display_name="Win a prize at evil.invalid")
    write_address(user=user, address=NEW)
    sent()
    message = outbox.outbox[0].message()
    text = str(outbox.outbox[0].body) + str(message)
    for word in (user.username, "evil.invalid", lead.crew.name, lead.crew.slug, str(user.pk) + "@"):
        assert word not in text
    assert message["Message-ID"] == f"<address.{AddressMail.objects.get().pk.hex}@prep.invalid>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["List-Unsubscribe"] is None


def test_the_earlier_address_has_the_mails_until_the_new_one_is_confirmed(lead: Membership, user: User) -> None:
    with_address(lead)
    old = user.email
    write_address(user=user, address=NEW)
    notice(lead, at=timezone.now())
    assert sent() == [(NEW, "Confirm your address"), (old, f"{lead.crew.name}: {user} returned proposal 0.")]
    confirm_address(token=token())
    notice(lead, at=timezone.now())
    assert [to for to, _ in sent()] == [NEW]
    write_address(user=user, address=old)
    assert [to for to, _ in sent()] == [old], "as new as any other"


def test_going_back_to_the_confirmed_address_asks_nothing(lead: Membership, user: User) -> None:
    with_address(lead)
    old = user.email
    write_address(user=user, address=NEW)
    sent()
    assert not write_address(user=user, address=old)
    assert user.address_confirmed
    assert sent() == []
    with pytest.raises(Gone, match="address:link-overtaken"):
        confirm_address(token=token())
    with pytest.raises(Conflict, match="address:confirmed"):
        ask_again(user=user)


def test_the_earlier_address_can_be_left_and_a_confirmed_one_cannot(lead: Membership, user: User) -> None:
    with_address(lead)
    leave_earlier(user=user)
    assert user.address_confirmed
    write_address(user=user, address=NEW)
    leave_earlier(user=user)
    notice(lead, at=timezone.now())
    assert sent() == [(NEW, "Confirm your address")]


def test_an_address_that_is_taken_out_gets_nothing(lead: Membership, user: User) -> None:
    with_address(lead)
    notice(lead, at=timezone.now())
    write_address(user=user, address="")
    assert sent() == []
    assert User.objects.get(pk=user.pk).confirmed_email == ""
    with pytest.raises(Conflict, match="address:none"):
        ask_again(user=user)
    with pytest.raises(IntegrityError), transaction.atomic():
        User.objects.filter(pk=user.pk).update(confirmed_email=OLD)


def test_an_address_set_past_the_doors_is_not_confirmed(lead: Membership, user: User) -> None:
    with_address(lead)
    old = user.email
    user.email = NEW
    user.save()
    notice(lead, at=timezone.now())
    assert [to for to, _ in sent()] == [old]


def test_a_mail_of_an_address_that_was_changed_meanwhile_is_dropped(user: User) -> None:
    for address in (OLD, NEW):
        write_address(user=user, address=address)
    assert sent() == [(NEW, "Confirm your address")]
    assert sorted(AddressMail.objects.values_list("state", flat=True)) == ["dropped", "sent"]


def test_a_link_is_for_its_address_and_works_once(user: User) -> None:
    write_address(user=user, address=OLD)
    sent()
    first = token()
    write_address(user=user, address=NEW)
    with pytest.raises(Gone, match="address:link-overtaken"):
        confirm_address(token=first)
    sent()
    confirm_address(token=token())
    for _ in range(2):
        with pytest.raises(Gone, match="address:link-used"):
            confirm_address(token=token())
    user.refresh_from_db()
    assert (user.email, user.confirmed_email) == (NEW, NEW)


def test_each_of_two_links_works_and_uses_up_the_other(user: User) -> None:
    write_address(user=user, address=NEW)
    sent()
    first = token()
    later(user, minutes=11)
    ask_again(user=user)
    sent()
    assert token() != first
    confirm_address(token=first)
    with pytest.raises(Gone, match="address:link-used"):
        confirm_address(token=token())


def test_a_link_lapses_after_three_days(user: User, monkeypatch: pytest.MonkeyPatch) -> None:
    write_address(user=user, address=NEW)
    sent()
    now = time.time()
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 3 * 86400 - 60)
    assert mail_by_token(token()).address == NEW
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 3 * 86400 + 60)
    with pytest.raises(Gone, match="address:link-over"):
        confirm_address(token=token())


def test_changed_and_invented_links_are_none(user: User) -> None:
    write_address(user=user, address=NEW)
    mine = AddressMail.objects.get()
    theirs = AddressMail.objects.create(recipient=factories.user(), address=NEW)
    good = link_token(mine)
    wrong = [theirs.pk.hex + good[32:], good[:-1], good.upper(), "x", "", good.replace(":", ""), good + ":x"]
    for one in wrong:
        with pytest.raises(NotFound, match="address:link-wrong"):
            confirm_address(token=one)
    mine.delete()
    with pytest.raises(NotFound, match="address:link-wrong"):
        confirm_address(token=good)


def test_a_refusing_mail_server_is_told(user: User) -> None:
    write_address(user=user, address=NEW)
    AddressMail.objects.update(state=MailState.FAILED, error="550")
    assert standing_of(user).refused


def test_closing_takes_links_along_and_the_export_shows_them(lead: Membership) -> None:
    member = factories.member_of(lead.crew)
    write_address(user=member.user, address=NEW)
    sent()
    export = export_of(member.user)
    assert (export["account"]["email"], export["account"]["confirmed_email"]) == (NEW, "")
    (row,) = export["sections"]["AddressMail"]
    assert (row["address"], row["state"], "token" in row) == (NEW, "sent", False)
    close_account(user=member.user)
    with pytest.raises(NotFound):
        confirm_address(token=token())
    assert not AddressMail.objects.exists()


def test_leaving_a_crew_changes_nothing_about_the_address(lead: Membership) -> None:
    """The address is the account's, not the crew's."""
    member = factories.member_of(lead.crew)
    write_address(user=member.user, address=NEW)
    member.delete()
    assert sent() == [(NEW, "Confirm your address")]
    confirm_address(token=token())


def test_the_link_that_stops_mails_of_a_crew_still_stops_them(lead: Membership, user: User) -> None:
    choices(lead, mail_off=True)
    write_address(user=user, address=NEW)
    assert sent() == [(NEW, "Confirm your address")], "asked for just now, whatever was chosen"
    confirm_address(token=token())
    notice(lead, at=timezone.now())
    assert sent() == []


def test_old_links_are_swept(user: User) -> None:
    write_address(user=user, address=NEW)
    sent()
    sweep(now=timezone.now() + dt.timedelta(days=89))
    assert AddressMail.objects.exists()
    sweep(now=timezone.now() + dt.timedelta(days=91))
    assert not AddressMail.objects.exists()


def test_an_address_typed_in_the_administration_is_mailed_a_link_too(lead: Membership) -> None:
    staff, person = factories.user(), lead.user
    User.objects.filter(pk=staff.pk).update(is_staff=True, is_superuser=True)
    client = Client()
    client.force_login(User.objects.get(pk=staff.pk))
    with_address(lead)
    old = person.email
    url = reverse("admin:crewprep_user_change", args=[person.pk])
    form = client.get(url).context["adminform"].form.initial
    given = {"username": person.username, "display_name": "", "is_active": "on", "email": NEW}
    given |= {"date_joined_0": f"{form['date_joined']:%Y-%m-%d}", "date_joined_1": f"{form['date_joined']:%H:%M:%S}"}
    assert client.post(url, given).status_code == 302
    person.refresh_from_db()
    assert (person.email, person.confirmed_email) == (NEW, old)
    assert sent() == [(NEW, "Confirm your address")]
    assert client.post(url, {**given, "email": ""}).status_code == 302
    person.refresh_from_db()
    assert (person.email, person.confirmed_email) == ("", "")
    assert client.get(reverse("admin:crewprep_addressmail_changelist")).status_code == 200


def press(user: User, text: str) -> Callable[[], str]:
    def act() -> str:
        try:
            confirm_address(token=text)
        except Gone as error:
            return error.code
        return "confirmed"

    return act


@pytest.mark.django_db(transaction=True)
def test_of_presses_at_once_one_confirms() -> None:
    for number in range(5):
        user = factories.user()
        write_address(user=user, address=f"press{number}@crew.invalid")
        text = link_token(AddressMail.objects.get(recipient=user))
        answers = at_once(press(user, text), 4)
        assert sorted(answers) == ["address:link-used"] * 3 + ["confirmed"]


def test_control_without_its_time_a_link_works_for_ever(user: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "LINK", replace(addresses.LINK, works_for=dt.timedelta(days=3650)))
    write_address(user=user, address=NEW)
    sent()
    now = time.time()
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 3 * 86400 + 60)
    confirm_address(token=token())
