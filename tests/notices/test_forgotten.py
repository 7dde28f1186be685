"""A forgotten password: the link goes to the confirmed address alone, works once, for an hour, and tells nobody else
anything (OWASP Forgot Password Cheat Sheet)."""

from __future__ import annotations

import datetime as dt
import re
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from django.core import mail as outbox
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from crewprep.common.errors import DomainError, Gone, NotFound
from crewprep.crews.models import Membership, User
from crewprep.notices import forgotten
from crewprep.notices.addresses import link_token, mail_by_token, write_address
from crewprep.notices.forgotten import ask_for_password, password_mail, password_token, set_password
from crewprep.notices.models import AddressMail, MailState, Purpose
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.notices.conftest import with_address
from tests.notices.test_addresses import sent
from tests.web.test_crew_pages import said
from tests.web.test_pages import signed_in

pytestmark = pytest.mark.django_db

NEW = "a brass owl on the shelf"


@pytest.fixture(autouse=True)
def place(settings: Any) -> None:
    settings.PUBLIC_URL = "https://prep.invalid/"


@pytest.fixture
def user(lead: Membership) -> User:
    with_address(lead)
    return lead.user


def link() -> str:
    """The path of the newest link that was mailed."""
    text = "".join(str(message.body) for message in outbox.outbox)
    return re.findall(r"https://prep\.invalid(/password/\S+)", text)[-1]


def token() -> str:
    return link().removeprefix("/password/").strip("/")


def asked(user: User) -> AddressMail:
    assert ask_for_password(said=user.username) == 1
    return AddressMail.objects.filter(recipient=user).latest("created_at")


def opens(client: Client, user: User, password: str) -> bool:
    """Whether name and password belong together."""
    return client.login(request=None, username=user.username, password=password)


def test_a_link_to_the_confirmed_address_sets_a_password_and_ends_sessions(lead: Membership, user: User) -> None:
    elsewhere, client = signed_in(lead), Client()
    assert "Have a link mailed to you" in client.get(reverse("sign-in")).content.decode()
    answer = client.post(reverse("forgotten"), {"said": f" {user.confirmed_email.upper()} "})
    assert answer["Location"] == reverse("sign-in")
    assert sent() == [(user.confirmed_email, "Choose a new password")]
    assert f"your account “{user.username}”" in str(outbox.outbox[-1].body)
    page = client.get(link()).content.decode()
    assert user.username in page
    assert 'autocomplete="new-password"' in page
    answer = client.post(link(), {"new_password1": NEW, "new_password2": NEW})
    assert answer["Location"] == reverse("sign-in")
    assert said(answer)[-1] == "Your password is set. Sign in with it."
    assert elsewhere.get(reverse("account")).status_code == 302, "the session of before has ended"
    user.refresh_from_db()
    assert user.check_password(NEW)
    assert client.post(reverse("sign-in"), {"username": user.username, "password": NEW}).status_code == 302


def test_the_answer_is_the_same_whoever_is_asked_for(lead: Membership, user: User, newcomer: Membership) -> None:
    closed = factories.user()
    User.objects.filter(pk=closed.pk).update(
        is_active=False, email="closed@crew.invalid", confirmed_email="closed@crew.invalid"
    )
    write_address(user=newcomer.user, address="typed@crew.invalid")
    answers = set()
    for one in (
        user.username, user.confirmed_email, "nobody", "nobody@crew.invalid", newcomer.user.username,
        "typed@crew.invalid", closed.username, "closed@crew.invalid",
    ):  # fmt: skip
        answer = Client().post(reverse("forgotten"), {"said": one})
        answers.add((answer.status_code, answer["Location"], *said(answer)))
    assert len(answers) == 1
    assert AddressMail.objects.filter(purpose=Purpose.PASSWORD).count() == 1, "one, and no second within ten minutes"


def test_a_form_that_is_empty_or_weak_says_so_and_spends_no_link(user: User) -> None:
    empty = Client().post(reverse("forgotten"), {"said": " "})
    assert empty.status_code == 422
    assert "Write the name that you sign in with" in empty.content.decode()
    path = reverse("new-password", args=[password_token(asked(user))])
    for first, second, sentence in (
        (NEW, "another", "The two passwords differ."),
        ("password12", "password12", "too common"),
        (user.confirmed_email, user.confirmed_email, "too similar"),
        ("", "", "Type the password."),
    ):
        answer = Client().post(path, {"new_password1": first, "new_password2": second})
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    assert Client().post(path, {"new_password1": NEW, "new_password2": NEW}).status_code == 302


@pytest.mark.parametrize(
    ("meanwhile", "code"),
    [
        (lambda user, text: set_password(token=text, password=NEW), "forgotten:link-used"),
        (lambda user, _: (user.set_password("other words 22"), user.save()), "forgotten:link-overtaken"),
        (
            lambda user, _: User.objects.filter(pk=user.pk).update(confirmed_email="new@crew.invalid"),
            "forgotten:link-overtaken",
        ),
        (lambda user, _: write_address(user=user, address=""), "forgotten:link-overtaken"),
        (lambda user, _: User.objects.filter(pk=user.pk).update(is_active=False), "forgotten:link-wrong"),
    ],
)
def test_what_ends_a_link(user: User, meanwhile: Callable[[User, str], object], code: str) -> None:
    text = password_token(asked(user))
    assert password_mail(text).recipient == user
    meanwhile(user, text)
    before = User.objects.get(pk=user.pk).password
    with pytest.raises(DomainError) as ended:
        set_password(token=text, password="yet another 333")
    assert ended.value.code == code
    page = Client().get(reverse("new-password", args=[text]))
    assert page.status_code == ended.value.status
    assert "This link does nothing" in page.content.decode()
    assert User.objects.get(pk=user.pk).password == before


def test_an_hour_later_and_changed_links_do_nothing(user: User, monkeypatch: pytest.MonkeyPatch) -> None:
    asked(user)
    sent()
    for wrong in (f"{token()}x", token().replace(".", "0", 1), "0" * 40, f"{'0' * 32}.{token().split('.', 1)[1]}"):
        with pytest.raises(NotFound, match="Open it from the mail once more"):
            password_mail(wrong)
    now = time.time()
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 3_590)
    assert password_mail(token()).recipient == user
    monkeypatch.setattr("django.core.signing.time.time", lambda: now + 3_660)
    with pytest.raises(Gone, match="for an hour"):
        set_password(token=token(), password=NEW)
    monkeypatch.setattr(
        forgotten, "LINK", replace(forgotten.LINK, works_for=dt.timedelta(days=1))
    )  # control: else it would have worked
    assert set_password(token=token(), password=NEW) == user


def test_a_link_is_for_its_own_purpose(user: User) -> None:
    forgot = asked(user)
    write_address(user=user, address="new@crew.invalid")
    confirm = AddressMail.objects.get(recipient=user, purpose=Purpose.CONFIRM)
    for text in (link_token(confirm), password_token(confirm)):
        with pytest.raises(NotFound):
            set_password(token=text, password=NEW)
    with pytest.raises(NotFound):
        mail_by_token(password_token(forgot))


def test_limits_and_what_is_not_wanted_any_more(user: User) -> None:
    mail = asked(user)
    assert ask_for_password(said=user.username) == 0, "ten minutes lie between two"
    user.set_password("changed 4444 meanwhile")
    user.save()
    User.objects.filter(pk=user.pk).update(confirmed_email="new@crew.invalid")
    assert sent() == []
    mail.refresh_from_db()
    assert mail.state == MailState.DROPPED
    assert ask_for_password(said="new@crew.invalid") == 1, "a mail that never left does not count"
    for minutes in (20, 40, 60):
        AddressMail.objects.update(created_at=timezone.now() - dt.timedelta(minutes=minutes))
        ask_for_password(said=user.username)
    assert AddressMail.objects.exclude(state=MailState.DROPPED).count() == 3, "three a day to an address"


def test_wrong_guesses_of_before_count_no_more(user: User, settings: Any) -> None:
    settings.AXES_FAILURE_LIMIT = 3
    client, wrong = Client(), {"username": user.username, "password": "not it"}
    while client.post(reverse("sign-in"), wrong).status_code == 200:
        pass
    path = reverse("new-password", args=[password_token(asked(user))])
    client.post(path, {"new_password1": NEW, "new_password2": NEW})
    assert client.post(reverse("sign-in"), {"username": user.username, "password": NEW}).status_code == 302


@pytest.mark.django_db(transaction=True)
def test_of_presses_at_once_one_sets_the_password() -> None:
    for number in range(3):
        user = factories.user()
        address = f"press{number}@crew.invalid"
        User.objects.filter(pk=user.pk).update(email=address, confirmed_email=address)
        text = password_token(asked(user))
        answers = at_once(lambda text=text: set_password(token=text, password=NEW), 4)  # type: ignore[misc]  # mypy infers no type of a lambda with a default
        assert [answer for answer in answers if isinstance(answer, User)] == [user]
        assert sum(isinstance(answer, Gone) for answer in answers) == 3
