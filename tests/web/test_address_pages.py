"""An address on the account's page, and the page that its link opens; without scripts."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from crewprep.crews.models import Membership, User
from crewprep.notices.addresses import LINK, link_token, write_address
from crewprep.notices.models import AddressMail
from tests import factories
from tests.api.conftest import caller
from tests.notices.conftest import with_address
from tests.web.test_crew_pages import said
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db

NEW = "new@crew.invalid"
PRESS = "Confirm the address"


def typed(member: Membership, address: str = NEW) -> str:
    """Type an address; the path of its link."""
    write_address(user=member.user, address=address)
    return reverse("confirm-address", args=[link_token(AddressMail.objects.latest("created_at"))])


def confirmed(member: Membership) -> str:
    return User.objects.get(pk=member.user_id).confirmed_email


def test_the_account_says_what_is_not_confirmed_and_sends_again(lead: Membership) -> None:
    client, url = signed_in(lead), reverse("account")
    assert "not confirmed" not in client.get(url).content.decode()
    page = client.post(url, {"display_name": "", "email": NEW}, follow=True).content.decode()
    for words in (
        "Your account is changed. A mail with a link is on its way", "Your address is not confirmed yet",
        f"A mail with a link to {NEW} was asked for just now.", "nothing else is mailed to you", "Send the mail again",
        "The link can be mailed again in 10 minutes.",
    ):  # fmt: skip
        assert words in page
    again = reverse("account-address")
    (sentence,) = said(client.post(again, {"do": "again"}))
    assert "No further mail with a link can be sent yet." in sentence
    assert "ask again in 10 minutes." in sentence
    AddressMail.objects.update(created_at=timezone.now() - dt.timedelta(minutes=11))
    client.get(url)  # tells the refusal
    assert "again in" not in client.get(url).content.decode()
    assert "on its way" in said(client.post(again, {"do": "again"}))[0]
    assert AddressMail.objects.count() == 2
    assert client.get(again).status_code == 405


def test_another_name_alone_sends_nothing(lead: Membership) -> None:
    client, url = signed_in(lead), reverse("account")
    for name in ("", "Wim"):
        client.post(url, {"display_name": name, "email": NEW})
    assert AddressMail.objects.count() == 1
    assert said(client.post(url, {"display_name": "Wim", "email": NEW}))[-1] == "Your account is changed."


def test_the_account_names_the_earlier_address_and_leaves_it(lead: Membership) -> None:
    client = signed_in(lead)
    with_address(lead)
    old = lead.user.email
    typed(lead)
    page = client.get(reverse("account")).content.decode()
    assert f"Until then your mails go to {old}." in page
    assert "Mail nothing more to the earlier address" in page
    assert said(client.post(reverse("account-address"), {"do": "leave"})) == [
        "Nothing more is mailed to the earlier address."
    ]
    assert old not in client.get(reverse("account")).content.decode()
    assert confirmed(lead) == ""


def test_a_mail_that_never_went_or_was_refused_is_told(lead: Membership) -> None:
    client = signed_in(lead)
    User.objects.filter(pk=lead.user_id).update(email=NEW)
    page = client.get(reverse("account")).content.decode()
    assert f"No mail with a link has been sent to {NEW} lately." in page
    assert "Send the mail<" in page
    client.post(reverse("account-address"), {"do": "again"})
    AddressMail.objects.update(state="failed")
    assert "The mail server refused the mail" in client.get(reverse("account")).content.decode()


def test_choices_of_notices_say_where_mails_go(lead: Membership) -> None:
    client, url = signed_in(lead), at("notice-choices", lead)
    typed(lead)
    page = client.get(url).content.decode()
    assert f"{NEW} is not confirmed yet, so all notices stay on the page" in page
    assert "Mails go to" not in page
    with_address(lead)
    old = lead.user.email
    typed(lead)
    page = client.get(url).content.decode()
    assert f"Mails go to {old}." in page
    assert f"{NEW} is not confirmed yet; see" in page


def test_a_program_that_follows_links_confirms_nothing_and_a_press_does(lead: Membership) -> None:
    url, program = typed(lead), Client(enforce_csrf_checks=True)
    for answer in (program.get(url), program.head(url), program.get(url)):
        assert answer.status_code == 200
    assert PRESS in program.get(url).content.decode()
    assert program.get(url).cookies == {}
    assert program.put(url).status_code == 405
    assert confirmed(lead) == ""
    done = program.post(url)
    assert (done.status_code, "The address is confirmed" in done.content.decode()) == (200, True)
    assert confirmed(lead) == NEW
    assert "not confirmed" not in signed_in(lead).get(reverse("account")).content.decode()


@pytest.mark.parametrize("state", ["good", "used", "overtaken", "over", "wrong"])
def test_the_page_is_the_same_whoever_looks_and_names_nobody(
    lead: Membership, resident: Membership, state: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, status, sentence = typed(lead), 410, "Your account&#x27;s page says where your mails go."
    if state == "good":
        status, sentence = 200, PRESS
    if state == "used":
        Client().post(url)
    if state == "overtaken":
        typed(lead, "another@crew.invalid")
    if state == "over":
        monkeypatch.setattr("crewprep.notices.addresses.LINK", replace(LINK, works_for=dt.timedelta(seconds=-1)))
        sentence = "Ask for a new mail on your account&#x27;s page."
    if state == "wrong":
        url, status, sentence = url[:-3] + "x/", 404, "Open it from the mail once more"
    answers = [client.get(url) for client in (Client(), signed_in(lead), signed_in(resident))]
    assert len({(answer.status_code, answer.content) for answer in answers}) == 1
    page = answers[0].content.decode()
    assert answers[0].status_code == status
    assert sentence in page
    for word in (NEW, "another@", lead.user.username, str(lead.user), lead.crew.name, resident.user.username):
        assert word not in page
    assert answers[0].headers["Referrer-Policy"] == "same-origin"
    assert "no-store" in answers[0].headers["Cache-Control"]
    if state != "good":
        assert f'href="{reverse("account")}"' in page, "the next step"
        before = confirmed(lead)
        assert signed_in(resident).post(url).status_code == status
        assert confirmed(lead) == before


@pytest.mark.parametrize("who", ["nobody", "another"])
def test_it_works_signed_in_as_another_or_not_at_all(lead: Membership, resident: Membership, who: str) -> None:
    url = typed(lead)
    client = Client() if who == "nobody" else signed_in(resident)
    page = client.post(url).content.decode()
    assert "The address is confirmed" in page
    assert (confirmed(lead), confirmed(resident)) == (NEW, "")
    for word in (NEW, str(lead.user), str(resident.user)):
        assert word not in page


def test_the_accounts_page_asks_at_most_one_more_question(lead: Membership) -> None:
    client = signed_in(lead)

    def cost() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert client.get(reverse("account")).status_code == 200
        return len(asked)

    none = cost()
    url = typed(lead)
    assert cost() == none + 1
    for _ in range(20):
        AddressMail.objects.create(recipient=factories.user(), address=NEW)
    assert cost() == none + 1
    Client().post(url)
    assert cost() == none


def test_programs_type_ask_again_and_leave_the_earlier_one(lead: Membership) -> None:
    api, url = caller(lead.user), "/api/v1/account/"
    with_address(lead)
    old = lead.user.email
    assert api.get(url).json()["email_confirmed"] is True
    answer = api.put(url, {"display_name": "", "email": NEW}).json()
    assert (answer["email"], answer["email_confirmed"], answer["mails_go_to"]) == (NEW, False, old)
    refused = api.post(f"{url}address-link/")
    assert (refused.status_code, refused.json()["code"]) == (429, "address:too-soon")
    AddressMail.objects.update(created_at=timezone.now() - dt.timedelta(minutes=11))
    assert api.post(f"{url}address-link/").status_code == 204
    assert api.call("DELETE", f"{url}earlier-address/").status_code == 204
    assert api.get(url).json()["mails_go_to"] == ""
    Client().post(reverse("confirm-address", args=[link_token(AddressMail.objects.latest("created_at"))]))
    assert api.get(url).json()["mails_go_to"] == NEW
    done = api.post(f"{url}address-link/")
    assert (done.status_code, done.json()["code"]) == (409, "address:confirmed")
