"""How drafts fare, as a page and as files, and the warning at a draft where they are weak."""

from __future__ import annotations

import json
import re

import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.models import Crate, Fate, MarkerFate, SheetVersion, Track
from crewprep.onboarding.fates import SlotFate
from crewprep.review.services import approve_proposal
from tests import factories
from tests.factories.fates import drafts, fates
from tests.web.browser import axe, cookie, opened

WEAK = "Drafts of this slot were kept in 9 of 31 sheets: listen twice."


def approved(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    """A sheet that was not made from a draft."""
    return approve_proposal(member=lead, proposal=factories.proposal(resident, into=crate), seen_revision=1)


def told(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    """Engine 3 drafts the first drop badly and the rest well; engine 2 did all badly."""
    sheet = approved(lead, resident, crate)
    made = [
        *drafts(9, 22), *drafts(28, 3, "breakdown"), *drafts(3, 30, "outro", "last", "2"),
        *[("3", "breakdown", "first", SlotFate(1, Fate.DROPPED, 0.4))] * 4,
        *[("3", "mix-in", "first", SlotFate(1, Fate.KEPT, 0.7, 0, 0.1))] * 12,
        *[("3", "free", "first", SlotFate(1, Fate.ADDED))] * 6,
    ]  # fmt: skip
    fates(sheet, made)
    return sheet


def client(member: Membership) -> Client:
    found = Client()
    found.force_login(member.user)
    return found


def page(member: Membership, query: str = "") -> str:
    response = client(member).get(reverse("drafts", args=[member.crew.slug]) + query)
    assert response.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


@pytest.mark.django_db
def test_the_newest_engine_is_shown_and_its_weakest_slot_named(lead: Membership, resident: Membership, crate: Crate):
    told(lead, resident, crate)
    html = page(resident)
    assert "By slot, engine 3" in html
    assert "Weak: the first drop was kept in 9 of 31 sheets. Listen twice there." in html
    assert "First drop Weak 9 of 31 29 % (16 to 47 %) 9 of 31 29 % (16 to 47 %) 22 of 31" in html
    assert "most by 32 beats at most" in html
    assert html.index("First drop Weak") < html.index("First breakdown 28 of 35") < html.index("First mix-in")
    assert "90 to 100 %" in html, "what came of the sure drafts"
    assert "Last outro" not in html


@pytest.mark.django_db
def test_the_address_names_an_engine(lead: Membership, resident: Membership, crate: Crate):
    told(lead, resident, crate)
    html = page(resident, "?engine=2")
    assert "Weak: the last outro was kept in 3 of 33 sheets." in html
    assert "First drop" not in html
    nothing = page(resident, "?engine=%00nine")
    assert "No sheet made from a draft of engine" in nothing
    assert "Engine 3 Engine 2" in nothing, "and what there is"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("made", "words"),
    [
        (drafts(12, 7), "No slot has been drafted for 20 approved sheets yet, so none can be called weak."),
        (drafts(16, 9), "No slot is weak; the first drop was kept in 16 of 25 sheets, the least often of all."),
    ],
)
def test_nothing_is_called_weak_before_it_is_sure(lead: Membership, resident: Membership, crate: Crate, made, words):
    fates(approved(lead, resident, crate), made)
    assert words in page(resident)


@pytest.mark.django_db
def test_an_empty_page_says_what_to_do(lead: Membership):
    html = page(lead)
    assert "No sheet made from a draft has been approved yet." in html
    assert "put its markers right and propose them" in html
    other = factories.crew_with()
    assert client(other).get(reverse("drafts", args=[lead.crew.slug])).status_code == 404


@pytest.mark.django_db
def test_another_crews_figures_are_not_shown(lead: Membership, resident: Membership, crate: Crate):
    told(lead, resident, crate)
    assert "No sheet made from a draft" in page(factories.crew_with())


@pytest.mark.django_db
def test_the_page_asks_as_often_whatever_there_is(
    lead: Membership, resident: Membership, crate: Crate, django_assert_max_num_queries
):
    """One for each of the two engines, too."""
    told(lead, resident, crate)
    browser = client(resident)
    with django_assert_max_num_queries(6 + 2):
        browser.get(reverse("drafts", args=[lead.crew.slug]))


@pytest.mark.django_db
def test_the_files_are_the_figures_of_all_engines(lead: Membership, resident: Membership, crate: Crate):
    sheet = told(lead, resident, crate)
    table = client(resident).get(reverse("drafts-csv", args=[lead.crew.slug]))
    assert table["Content-Disposition"] == 'attachment; filename="drafts.csv"'
    lines = table.content.decode().splitlines()
    assert lines[0].startswith("engine,function,which,confidence_from,confidence_to,drafted,kept,moved,dropped,added")
    assert any(line.startswith("2,outro,last,,,33,3,30,0,0") for line in lines)
    document = client(resident).get(reverse("drafts-json", args=[lead.crew.slug]))
    assert document["Content-Type"] == "application/json; charset=utf-8"
    assert len(json.loads(document.content)["lines"]) == len(lines) - 1
    assert sheet.track.title not in document.content.decode()


# On the track page


@pytest.fixture
def drafted(lead: Membership, crate: Crate) -> Track:
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    return track


def track_page(member: Membership, crate: Crate, track: Track) -> str:
    response = client(member).get(reverse("track-page", args=[crate.crew.slug, crate.pk, track.pk]))
    assert response.status_code == 200
    return response.content.decode()


@pytest.mark.django_db
def test_a_draft_of_a_weak_slot_says_so_and_is_pencilled(
    lead: Membership, resident: Membership, crate: Crate, drafted: Track
):
    assert "listen twice" not in track_page(resident, crate, drafted)
    told(lead, resident, crate)
    html = track_page(resident, crate, drafted)
    assert html.count(f"<p>Draft sure (80%): made up for slot 4. {WEAK}</p>") == 1
    assert html.count(WEAK) == 2, "in the table and for the scripts"
    found = re.search(r'id="desk-data" type="application/json">(.*?)</script>', html)
    assert found
    data = json.loads(found[1])
    assert [marker["slot"] for marker in data["saved"] if marker["doubtful"]] == [4]
    # The margin of the drawn marker: only slot 4 is pencilled, though all of the draft is sure.
    assert len(re.findall(r">\s*\?\s*<", html)) == 1


@pytest.mark.django_db
def test_the_warning_costs_one_question_and_none_where_there_is_a_sheet(
    lead: Membership, resident: Membership, crate: Crate, drafted: Track
):
    told(lead, resident, crate)
    asked = f'FROM "{MarkerFate._meta.db_table}"'
    url = reverse("track-page", args=[crate.crew.slug, crate.pk, drafted.pk])
    browser = client(resident)

    def questions() -> int:
        with CaptureQueriesContext(connection) as seen:
            browser.get(url)
        return sum(asked in query["sql"] for query in seen)

    assert questions() == 1
    proposal = factories.proposal(resident, drafted, crate)
    assert WEAK in track_page(lead, crate, drafted), "while nobody has approved it"
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    assert questions() == 0
    assert "listen twice" not in track_page(lead, crate, drafted)


@pytest.mark.django_db
def test_the_figures_of_another_engine_warn_nobody(
    lead: Membership, resident: Membership, crate: Crate, drafted: Track
):
    fates(approved(lead, resident, crate), drafts(0, 40, engine="2"))
    assert "listen twice" not in track_page(resident, crate, drafted)


@pytest.mark.django_db
def test_older_sheets_are_told_by_the_command(lead: Membership, resident: Membership, crate: Crate, drafted: Track):
    approve_proposal(member=lead, proposal=factories.proposal(resident, drafted, crate), seen_revision=1)
    MarkerFate.objects.all().delete()
    assert "No sheet made from a draft" in page(resident)
    call_command("recount_fates")
    assert "First drop 1 of 1 100 % (21 to 100 %)" in page(resident)


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (1440, "dark"), (360, "light"), (360, "dark")])
def test_the_page_under_axe(live_server, chromium, width, scheme):
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    told(lead, resident, factories.crate(lead))
    url = live_server.url + reverse("drafts", args=[lead.crew.slug])
    with opened(chromium, url, cookie(resident), viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        assert axe(page) == []
        for summary in page.locator("summary").all():
            summary.click()
        assert axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.get_by_role("link", name="Engine 2").click()
        assert "the last outro was kept in 3 of 33 sheets" in page.content()
