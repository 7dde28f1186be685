"""Progress, the bar and the sign-off as pages: what they say, to whom, and what is refused without losing a word."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.onboarding.figures import Pooled, Share
from crewprep.onboarding.models import SignOff
from crewprep.onboarding.progress import MissCount, progress_of
from crewprep.onboarding.signing import ask_for_more, bar_of, set_bar
from crewprep.web.progress_words import HEIGHT, MOST_DRAWN, WIDTH, draw, miss_words, share_words
from tests import factories
from tests.web.browser import axe, cookie, opened
from tests.web.test_pages import at, signed_in


@pytest.fixture
def drilled(lead: Membership, newcomer: Membership, crate: Crate) -> Membership:
    """A newcomer with three drills: a slipped phrase, a slot left out and one too many; all right; half a beat late."""
    now = timezone.now()
    first = factories.approved_sheet(lead, crate)
    factories.drill(
        newcomer, first, {4: 32.0, 5: None, 3: 32.0}, placed={7: first.analysis.result.beats_us[90]},
        at=now - dt.timedelta(days=9),
    )  # fmt: skip
    factories.drill(newcomer, factories.approved_sheet(lead, crate), at=now - dt.timedelta(days=1))
    factories.drill(newcomer, factories.approved_sheet(lead, crate), dict.fromkeys((1, 2, 8), 0.5), at=now)
    return newcomer


# Words and drawing.


def test_few_tries_are_said_to_be_unsure() -> None:
    """SciPy: binomtest(3, 4).proportion_ci(method="wilson") is 0.3006 to 0.9544."""
    assert share_words(Share(3, 4)) == "3 of 4; could be anything from 30 to 96 %"
    assert share_words(Pooled((Share(4, 4),))) == "4 of 4; could be anything from 20 to 100 %"
    assert share_words(Share(0, 0)) == "nothing marked yet"


@pytest.mark.parametrize(
    ("miss", "words"),
    [
        (MissCount("phrase", 3, 1, None), "a phrase late, 3 times"),
        (MissCount("phrase", 1, -2, None), "2 phrases early, once"),
        (MissCount("function", 2, None, "drop"), "where the drop is, 2 times"),
        (MissCount("half bar", 1, None, None), "half a bar away, once"),
        (MissCount("elsewhere", 1, None, None), "somewhere else, once"),
        (MissCount("missing", 4, None, None), "left out, 4 times"),
        (MissCount("extra", 1, None, "drop"), "marked where the sheet has none, once"),
    ],
)
def test_misses_in_words(miss: MissCount, words: str) -> None:
    assert miss_words(miss) == words


@pytest.mark.django_db
def test_the_drawing_says_what_the_figures_say(drilled: Membership) -> None:
    drawing = draw(progress_of(drilled), 0.6)
    assert drawing is not None
    assert drawing.dots.split(" M")[1] == f"{WIDTH / 2:.1f} 0.0h0", "the second drill was all right"
    assert drawing.intervals.count("V") == 3
    assert drawing.bar_y == HEIGHT * 0.4
    assert not drawing.by_week


@pytest.mark.django_db
def test_many_drills_are_drawn_by_the_week(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    assert draw(progress_of(newcomer), 0.6) is None
    monday = dt.datetime(2027, 6, 7, 12, tzinfo=dt.UTC)
    for number in range(MOST_DRAWN + 1):
        sheet = factories.approved_sheet(lead, crate)
        factories.drill(newcomer, sheet, at=monday + dt.timedelta(days=7 * (number % 2)))
    drawing = draw(progress_of(newcomer), 0.6)
    assert drawing is not None
    assert (drawing.by_week, drawing.shown, drawing.dots.count("M")) == (True, 2, 2)


# Pages.


@pytest.mark.django_db
def test_ones_own_progress(drilled: Membership) -> None:
    page = signed_in(drilled).get(at("progress", drilled, drilled.pk)).content.decode()
    for words in (
        "Your progress", "3 drills handed in", "Not at the bar yet", "3 of 5 drills are handed in.",
        "a phrase late, once", "left out, once", "marked where the sheet has none, once", "Week by week",
        "Take all scores as CSV",
    ):  # fmt: skip
        assert words in page
    assert 'name="do"' not in page, "nobody signs themself off"


@pytest.mark.django_db
def test_a_page_without_drills_teaches(newcomer: Membership, crate: Crate) -> None:
    page = signed_in(newcomer).get(at("progress", newcomer, newcomer.pk)).content.decode()
    assert "No drill is handed in yet." in page
    assert "Go to practice" in page


@pytest.mark.django_db
def test_others_do_not_look(resident: Membership, drilled: Membership) -> None:
    client = signed_in(resident)
    for name in ("progress", "progress-csv"):
        answer = client.get(at(name, resident, drilled.pk))
        assert answer.status_code == 403
        assert "Only they and the leads" in answer.content.decode()


@pytest.mark.django_db
def test_a_lead_asks_for_more_then_signs_off(lead: Membership, drilled: Membership) -> None:
    client, url = signed_in(lead), at("progress", lead, drilled.pk)
    assert 'name="seen_drills" value="3"' in client.get(url).content.decode()
    silent = client.post(url, {"do": "sign-off", "seen_drills": "3", "note": "  "})
    assert silent.status_code == 422
    assert "Write a note that says why" in silent.content.decode()
    stale = client.post(url, {"do": "more", "seen_drills": "2", "note": "Listen for the phrase."})
    assert stale.status_code == 409
    assert "Listen for the phrase." in stale.content.decode(), "nothing typed is lost"
    for seen in ("", "x", "9" * 40):
        assert client.post(url, {"do": "more", "seen_drills": seen, "note": "x"}).status_code == 409
    assert client.post(url, {"do": "dance", "seen_drills": "3"}).status_code == 422

    asked = client.post(url, {"do": "more", "seen_drills": "3", "note": "Listen for the phrase."}, follow=True)
    assert f"{drilled.user} is asked for more practice." in asked.content.decode()
    done = client.post(url, {"do": "sign-off", "seen_drills": "3", "note": "Plays it right."}, follow=True)
    page = done.content.decode()
    assert f"{drilled.user} is a resident now and may review at once." in page
    assert page.index("Plays it right.") < page.index("Listen for the phrase.")
    assert "below the bar" in page
    assert 'name="do"' not in page, "there is nothing left to sign off"
    drilled.refresh_from_db()
    assert drilled.role == Role.RESIDENT
    again = client.post(url, {"do": "sign-off", "seen_drills": "3", "note": "Once more."})
    assert again.status_code == 409
    assert "is no newcomer any more" in again.content.decode()


@pytest.mark.django_db
def test_nobody_else_signs_off(resident: Membership, drilled: Membership) -> None:
    sent = {"do": "sign-off", "seen_drills": "3", "note": "I know them."}
    for member in (resident, drilled):
        assert signed_in(member).post(at("progress", member, drilled.pk), sent).status_code == 403
    assert not SignOff.objects.exists()


@pytest.mark.django_db
def test_the_first_review_follows_the_sign_off(lead: Membership, drilled: Membership, crate: Crate) -> None:
    proposal = factories.proposal(factories.member_of(crate.crew), into=crate)
    client = signed_in(drilled)
    before = client.get(at("proposal", drilled, proposal.pk)).content.decode()
    assert 'value="approve"' not in before
    assert "A lead can sign you off" in client.get(at("queue", drilled)).content.decode()
    signed_in(lead).post(
        at("progress", lead, drilled.pk), {"do": "sign-off", "seen_drills": "3", "note": "Heard them play."}
    )
    queue = client.get(at("queue", drilled)).content.decode()
    assert "A lead can sign you off" not in queue
    assert "You may review 1" in queue
    page = client.get(at("proposal", drilled, proposal.pk)).content.decode()
    form = {name: _value(page, name) for name in ("seen_revision", "seen_digest")}
    answer = client.post(at("proposal-verdict", drilled, proposal.pk), {"do": "approve", **form})
    assert answer.status_code == 302
    proposal.refresh_from_db()
    assert (proposal.state, proposal.reviewed_by) == ("approved", drilled.user)


def _value(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found is not None
    return found[1]


@pytest.mark.django_db
def test_scores_as_csv(drilled: Membership) -> None:
    answer = signed_in(drilled).get(at("progress-csv", drilled, drilled.pk))
    assert answer["Content-Disposition"] == 'attachment; filename="drill-scores.csv"'
    assert len(answer.content.decode().splitlines()) == 1 + 8 + 7 + 7


@pytest.mark.django_db
def test_leads_set_the_bar(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    client, url = signed_in(lead), at("sign-off-bar", lead)
    done = client.post(url, {"least_drills": " 8 ", "least_share": "72,5 %"}, follow=True)
    assert "Newcomers are held to it from now on." in done.content.decode()
    assert (bar_of(lead.crew).least_drills, bar_of(lead.crew).least_share) == (8, 0.725)
    for drills, share, words in (
        ("many", "60", "Ask for 1 to 50 drills."),
        ("5", "most of them", "from 0 to 100 per cent"),
        ("5", "inf", "from 0 to 100 per cent"),
        ("2", "90", "Even with every slot right, 2 drills show no more than 34 %"),
    ):
        refused = client.post(url, {"least_drills": drills, "least_share": share})
        assert refused.status_code == 422
        page = refused.content.decode()
        assert words in page
        assert f'value="{drills}"' in page
        assert f'value="{share}"' in page
    shown = signed_in(newcomer).get(url).content.decode()
    assert "72.5 %" in shown
    assert "<form class" not in shown
    assert signed_in(newcomer).post(url, {"least_drills": "1", "least_share": "1"}).status_code == 403


@pytest.mark.django_db
def test_the_practice_page_lists_newcomers_for_leads(lead: Membership, drilled: Membership) -> None:
    set_bar(member=lead, least_drills=2, least_share=0.3)
    page = signed_in(lead).get(at("practice", lead)).content.decode()
    assert "1 newcomer" in page
    assert "Ready for the sign-off" in page
    assert "Within a beat in the latest 2: 14 of 14; could be anything from 34 to 100 %." in page
    assert at("progress", lead, drilled.pk) in page
    own = signed_in(drilled).get(at("practice", drilled)).content.decode()
    assert "Ready for the sign-off" not in own
    assert f'href="{at("progress", drilled, drilled.pk)}">Your progress' in own


@pytest.mark.django_db
def test_many_drills_cost_the_page_no_more(lead: Membership, drilled: Membership, crate: Crate) -> None:
    client, url = signed_in(lead), at("progress", lead, drilled.pk)

    def asked() -> int:
        with CaptureQueriesContext(connection) as questions:
            assert client.get(url).status_code == 200
        return len(questions)

    asked()
    few = asked()
    for _ in range(4):
        factories.drill(drilled, factories.approved_sheet(lead, crate), {4: None})
    assert asked() == few


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1440, "dark")])
def test_no_findings_and_nothing_sideways(
    lead: Membership, drilled: Membership, chromium: str, live_server, width: int, scheme: str
) -> None:
    ask_for_more(member=lead, other=drilled, note="Listen for the phrase.", seen_drills=3)
    context: dict[str, Any] = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    for name, args in (("progress", [drilled.pk]), ("sign-off-bar", []), ("practice", [])):
        with opened(chromium, live_server.url + at(name, lead, *args), cookie(lead), **context) as page:
            assert axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_sign_off_by_keyboard(lead: Membership, drilled: Membership, chromium: str, live_server) -> None:
    with opened(chromium, live_server.url + at("progress", lead, drilled.pk), cookie(lead), refusals=1) as page:
        page.get_by_label("Note to").focus()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        alert = page.get_by_role("alert")
        assert "Write a note that says why" in alert.text_content()
        assert alert.evaluate("one => one === document.activeElement"), "what went wrong is where the reader is"
        page.get_by_label("Note to").focus()
        page.keyboard.type("Plays it right.")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_text("is a resident now and may review at once.").wait_for()
    drilled.refresh_from_db()
    assert drilled.role == Role.RESIDENT
