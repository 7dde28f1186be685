"""No page of a fresh crew is blank: each says what it is for and leads on, to a lead as to a newcomer."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from crewprep.crews.models import Membership, Role
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db

PAGES = (
    "crew-home", "tracks", "queue", "nights", "convention", "convention-examples", "checks", "practice", "lists",
    "notices",
)  # fmt: skip
LEADS_ALONE = ("crew-members", "webhooks")


class Teaching(HTMLParser):
    """The words and the links of the first element of class ``empty``, and the ids of the page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.depth, self.done, self.words = 0, False, ""
        self.links: list[str] = []
        self.ids: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids.add(given.get("id") or "")
        begins = "empty" in (given.get("class") or "").split() and not self.done
        if begins or self.depth:
            self.depth += 1
        if self.depth and tag == "a":
            self.links.append(given.get("href") or "")

    def handle_endtag(self, tag: str) -> None:
        if self.depth:
            self.depth -= 1
            self.done = self.depth == 0

    def handle_data(self, data: str) -> None:
        if self.depth:
            self.words += data


def taught(member: Membership, url: str) -> None:
    client = signed_in(member)
    answer = client.get(url)
    assert answer.status_code == 200
    page = Teaching(answer.content.decode())
    words = " ".join(page.words.split())
    assert words, f"{url} says nothing"
    assert words.count(".") >= 2, f"{url} says too little: {words}"
    assert page.links, f"{url} leads nowhere: {words}"
    for link in page.links:
        if link.startswith("#"):
            assert link[1:] in page.ids, f"{url} has no {link}"
        else:
            assert client.get(link).status_code == 200, f"{url} leads to {link}"


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("role", [Role.LEAD, Role.NEWCOMER])
def test_a_page_of_a_fresh_crew_teaches(role: Role, name: str) -> None:
    lead = factories.crew_with()
    member = lead if role == Role.LEAD else factories.member_of(lead.crew, role)
    taught(member, at(name, member))


@pytest.mark.parametrize("name", LEADS_ALONE)
def test_a_leads_page_of_a_fresh_crew_teaches(name: str) -> None:
    lead = factories.crew_with()
    taught(lead, at(name, lead))


@pytest.mark.parametrize("role", [Role.LEAD, Role.NEWCOMER])
def test_an_empty_crate_and_a_crew_without_crates_teach(role: Role) -> None:
    lead = factories.crew_with()
    member = lead if role == Role.LEAD else factories.member_of(lead.crew, role)
    factories.convention(lead)
    for name in ("crew-home", "convention-examples"):
        taught(member, at(name, member))
    taught(member, at("crate", member, factories.crate(lead).pk))
