"""The list, the count in the masthead, the choices, and the link that stops mails; the same for programs."""

from __future__ import annotations

import datetime as dt
import re
import uuid
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.notices.choices import choices_of, unsubscribe_token
from crewprep.notices.models import Notice
from crewprep.notices.selectors import unread_count
from tests import factories
from tests.api.contract import Caller
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def notices(member: Membership, count: int = 1, **changes: Any) -> list[Notice]:
    values = {
        "kind": "returned", "subject_id": uuid.uuid4(), "path": at("queue", member), "happened_at": timezone.now(),
        **changes,
    }  # fmt: skip
    return Notice.objects.bulk_create(
        Notice(
            crew=member.crew, recipient=member.user, about=str(uuid.uuid4()), text=f"something happened, {number}.",
            **values,
        )
        for number in range(count)
    )  # fmt: skip


def badge(page: str) -> str:
    found = re.search(r'masthead__unread">([^<]*)<', page)
    return found.group(1) if found else ""


def test_unread_ones_come_first_and_are_read_by_opening_or_by_a_button(lead: Membership, resident: Membership) -> None:
    client = signed_in(lead)
    opened, marked, *_ = notices(lead, 3)
    notices(resident)
    page = client.get(at("notices", lead)).content.decode()
    assert badge(page) == "3"
    assert page.count("Mark as read") == 3
    assert "Earlier" not in page

    answer = client.post(at("notice", lead, opened.pk), {"do": "open"})
    assert answer.headers["Location"] == at("queue", lead)
    client.post(at("notice", lead, marked.pk), {"do": "read"})
    page = client.get(at("notices", lead)).content.decode()
    assert badge(page) == "1"
    assert page.index("omething happened, 2.") < page.index("Earlier") < page.index("omething happened, 0.")

    page = client.post(at("notices", lead), follow=True).content.decode()
    assert "1 notice marked as read." in page
    assert "Nothing is unread." in page
    assert badge(page) == ""
    assert unread_count(resident) == 1, "another member's are their own"
    assert client.post(at("notice", resident, Notice.objects.get(recipient=resident.user).pk)).status_code == 404


def test_the_count_stands_on_every_page_of_the_crew_at_one_query(lead: Membership) -> None:
    client = signed_in(lead)
    elsewhere = factories.crew_with(lead.user)
    notices(elsewhere, 2)
    with CaptureQueriesContext(connection) as few:
        assert badge(client.get(at("queue", lead)).content.decode()) == ""
    notices(lead, 120)
    with CaptureQueriesContext(connection) as many:
        page = client.get(at("queue", lead)).content.decode()
    assert badge(page) == "99+"
    assert f'href="{at("notices", lead)}"' in page
    assert len(few) == len(many)
    assert sum("notice" in query["sql"] for query in many) == 1


def test_a_long_list_is_shown_at_a_fixed_cost(lead: Membership) -> None:
    client = signed_in(lead)

    def cost() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at("notices", lead)).status_code == 200
        return len(asked)

    notices(lead, 2, by=lead.user)
    notices(lead, 2, by=lead.user, read_at=timezone.now())
    few = cost()
    notices(lead, 80, by=lead.user)
    notices(lead, 80, by=lead.user, read_at=timezone.now())
    assert cost() == few
    assert "Page 2 of 3" in client.get(at("notices", lead), {"page": "2"}).content.decode()


CHOSEN = {
    "when": "digest", "digest_hour": "18", "quiet_from": "22:30", "quiet_until": "07:00", "zone": "Europe/Lisbon",
    "review-asked": "page", "returned": "mail", "approved": "mail", "claim-lapsing": "off", "claim-moved": "mail",
    "night-near": "mail", "convention-published": "page", "second-approval": "page", "remarked": "mail",
    "replied": "off",
    "signed-off": "mail", "more-practice": "page",
}  # fmt: skip


def test_choices_are_saved_and_what_is_wrong_is_told_at_its_field(lead: Membership) -> None:
    client = signed_in(lead)
    url = at("notice-choices", lead)
    assert "There is no mail address for you yet" in client.get(url).content.decode()
    assert "Your choices are saved." in client.post(url, CHOSEN, follow=True).content.decode()
    chosen = choices_of(lead)
    assert (chosen.digest, chosen.digest_hour, chosen.quiet_from, chosen.quiet_until, chosen.zone) == (
        True, 18, dt.time(22, 30), dt.time(7), "Europe/Lisbon",
    )  # fmt: skip
    assert (chosen.way("approved"), chosen.way("claim-lapsing")) == ("mail", "off")
    page = client.get(url).content.decode()
    assert '<option value="digest" selected>' in page
    assert 'value="22:30"' in page

    wrong = client.post(url, {**CHOSEN, "quiet_until": "", "digest_hour": "7"})
    assert wrong.status_code == 422
    assert "Quiet hours need a start and another end." in wrong.content.decode()
    assert 'value="22:30"' in wrong.content.decode(), "nothing that was typed is lost"
    assert client.post(url, {**CHOSEN, "zone": "Moon/Base"}).status_code == 422
    assert "such as 22:30" in client.post(url, {**CHOSEN, "quiet_from": "half past ten"}).content.decode()
    assert choices_of(lead).digest_hour == 18

    client.post(url, {**CHOSEN, "when": "none"})
    assert (choices_of(lead).mail_off, choices_of(lead).way("approved")) == (True, "page")


def test_the_link_in_a_mail_stops_all_mails_without_signing_in(lead: Membership) -> None:
    """RFC 8058, 3.1 and 3.2: a POST with ``List-Unsubscribe=One-Click``, without cookies; a GET changes nothing."""
    url = reverse("unsubscribe", args=[unsubscribe_token(lead)])
    program = Client(enforce_csrf_checks=True)
    page = program.get(url)
    assert "Stop all mails" in page.content.decode()
    assert not choices_of(lead).mail_off, "a link checker that follows it stops nothing"
    assert page.cookies == {}
    answer = program.post(url, {"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    assert "No more mails come to you" in answer.content.decode()
    assert choices_of(lead).mail_off
    assert program.post(url).status_code == 200, "twice does no harm"
    assert program.put(url).status_code == 405


def test_a_changed_link_is_none(lead: Membership, resident: Membership) -> None:
    token = unsubscribe_token(lead)
    changed = resident.pk.hex + token[len(resident.pk.hex) :]
    for wrong in (changed, token[:-1], "x", unsubscribe_token(lead).replace(":", "")):
        assert Client().post(reverse("unsubscribe", args=[wrong])).status_code == 404
    resident_token = unsubscribe_token(resident)
    resident.delete()
    assert Client().get(reverse("unsubscribe", args=[resident_token])).status_code == 404
    assert not choices_of(lead).mail_off


def test_programs_read_and_choose(lead: Membership, resident: Membership) -> None:
    from tests.api.conftest import caller

    api, base = caller(lead.user), f"/api/v1/crews/{lead.crew.slug}/notices/"
    first, *_ = notices(lead, 3, by=resident.user)
    theirs, *_ = notices(resident)
    assert api.get(base).json()["count"] == 3
    one = api.post(f"{base}{first.pk}/read/").json()
    assert one["read_at"]
    assert one["sentence"] == f"{resident.user} something happened, 0."
    assert api.post(f"{base}{theirs.pk}/read/").status_code == 404
    assert api.get(f"{base}?unread=true").json()["count"] == 2
    assert api.post(f"{base}read/").json() == {"marked": 2}
    _choose(api, base)
    assert choices_of(lead).zone == "Asia/Tokyo"
    assert api.put(f"{base}choices/", {"zone": "Nowhere"}).json()["code"] == "notice:unknown-zone"
    assert api.put(f"{base}choices/", {"zone": "UTC", "quiet_from": "22:00"}).json()["code"] == "notice:quiet-hours"


def _choose(api: Caller, base: str) -> None:
    before = api.get(f"{base}choices/").json()
    assert {"kind": "review-asked", "way": "mail"} in before["ways"]
    chosen = {"ways": [{"kind": "review-asked", "way": "page"}], "digest": True, "zone": "Asia/Tokyo"}
    after = api.put(f"{base}choices/", chosen).json()
    assert {"kind": "review-asked", "way": "page"} in after["ways"]
    assert {"kind": "returned", "way": "mail"} in after["ways"]
    assert (after["digest"], after["zone"]) == (True, "Asia/Tokyo")
