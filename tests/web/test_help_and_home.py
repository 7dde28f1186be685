"""Help says what the pages do; the crew's home says what happened, in words and at a fixed cost."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import escape

from crewprep.common.messages import sentence_for
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.services import approve_proposal
from crewprep.web.crate_rows import STATES
from crewprep.web.help import KEYS
from crewprep.web.recent import WORDS
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def test_help_lists_the_keys_that_the_page_itself_lists(settings) -> None:
    script = (settings.BASE_DIR / "crewprep/static/crewprep/js/tools.js").read_text()
    listed = re.findall(r'^  \["([^"]+)", "[^"]+"\],$', script, re.MULTILINE)
    assert listed == [key for key, _ in KEYS]
    page = Client().get(reverse("help")).content.decode()
    for key, meaning in KEYS:
        assert f"<kbd>{escape(key)}</kbd>" in page
        assert escape(meaning) in page


def test_help_gives_the_limits_as_the_refusals_do() -> None:
    page = Client().get(reverse("help")).content.decode()
    assert "200 MB, 8 channels and 2 hours" in page
    assert "200 MB" in sentence_for("audio:too-large")


def test_help_explains_every_state() -> None:
    page = Client().get(reverse("help")).content.decode()
    for state in STATES.values():
        assert state.words in page


def test_home_tells_what_happened(lead: Membership, crate: Crate) -> None:
    resident = factories.member_of(lead.crew)
    proposal = factories.proposal(resident, into=crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    page = signed_in(lead).get(at("crew-home", lead)).content.decode()
    for words in (
        f"approved sheet 1 of “{proposal.track.title}”",
        f"proposed a sheet for “{proposal.track.title}”",
        f"made the crate “{crate.name}”",
        "Every track has its sheet",
    ):
        assert words in page


def test_every_happening_reads_well_with_and_without_details() -> None:
    for verb, say in WORDS.items():
        for title in ("", "Cold Kettle"):
            words = say({}, title)
            assert words, verb
            assert "None" not in say({"track": "T", "name": "N", "number": 1, "sheet": 1, "crate": "C"}, title), verb


def test_home_costs_the_same_for_many_crates_and_much_activity(lead: Membership, crate: Crate) -> None:
    client = signed_in(lead)

    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at("crew-home", lead)).status_code == 200
        return len(asked)

    factories.proposal(factories.member_of(lead.crew), into=crate)
    few = queries()
    for _ in range(3):
        factories.proposal(factories.member_of(lead.crew), into=factories.crate(lead))
    assert queries() == few
    assert few <= 18, "two of them for the first steps"


def test_an_empty_crew_says_what_comes_next_to_each_role() -> None:
    lead = factories.crew_with()
    resident, newcomer = factories.member_of(lead.crew), factories.member_of(lead.crew, Role.NEWCOMER)
    publish = at("convention-draft", lead)
    assert publish in signed_in(lead).get(at("crew-home", lead)).content.decode()
    for member in (resident, newcomer):
        page = signed_in(member).get(at("crew-home", member)).content.decode()
        assert publish not in page
        assert "A lead publishes it" in page
    factories.convention(lead)
    assert "Make the crate" in signed_in(resident).get(at("crew-home", resident)).content.decode()
    page = signed_in(newcomer).get(at("crew-home", newcomer)).content.decode()
    assert "Make the crate" not in page
    assert "Only leads and residents" in page
