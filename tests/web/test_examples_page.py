"""The convention as a page of examples: rules, slips, pieces that can be heard, and what a newcomer has seen by it."""

from __future__ import annotations

import io

import pytest
import soundfile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils.html import escape

from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership
from crewprep.models import Crate, Sight
from crewprep.onboarding.slips import usual_slips
from tests import factories
from tests.web.examples_scene import RATE, heard_sheet
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def page_of(member: Membership) -> str:
    answer = signed_in(member).get(at("convention-examples", member))
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_every_slot_has_its_rule_and_its_slips(lead: Membership, crate: Crate) -> None:
    heard_sheet(lead, crate)
    page = page_of(lead)
    version = current_version(lead)
    assert version is not None
    for slot in version.slots.all():
        assert escape(slot.name) in page
        assert escape(slot.guidance) in page
        for slip in usual_slips(slot.function, slot.which, kind=slot.kind):
            assert escape(slip) in page


def test_an_example_plays_the_bar_before_and_four_after(lead: Membership, crate: Crate) -> None:
    sheet = heard_sheet(lead, crate)
    drop = sheet.markers.get(slot=4)
    bar = round(4 * 60e6 / 128)
    url = at("track-clip", lead, sheet.track_id, drop.start_us - bar, drop.start_us + 4 * bar)
    page = page_of(lead)
    assert f'<audio src="{url}"' in page
    assert f'data-clip="{url}"' in page
    sound, rate = soundfile.read(io.BytesIO(signed_in(lead).get(url).content))
    assert rate == RATE
    assert len(sound) == pytest.approx(5 * bar / 1e6 * RATE, abs=1)
    loop = sheet.markers.get(slot=8)
    looped = at("track-clip", lead, sheet.track_id, loop.start_us, loop.end_us)
    assert f'<audio src="{looped}" preload="none" controls loop' in page


def test_pieces_are_brought_to_the_common_level(lead: Membership, crate: Crate) -> None:
    heard_sheet(lead, crate)
    assert 'data-gain-db="-8.5"' in page_of(lead), "from -9.5 LUFS to -18"


def test_a_newcomer_has_seen_these_tracks_and_no_other(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    for _ in range(6):
        heard_sheet(lead, crate)
    page_of(lead)
    assert not Sight.objects.exists(), "a lead is not signed off"
    page = page_of(newcomer)
    assert Sight.objects.filter(membership=newcomer).count() == 2
    assert "2 tracks serve as examples" in page
    assert "4 approved tracks more stay for drills" in page


def test_without_sheets_the_words_teach_alone(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    for member in (lead, newcomer):
        page = page_of(member)
        assert "There is nothing to hear yet" in page
        assert "the build-up begins" in page
        assert "<audio" not in page
        assert '<script type="module"' not in page
        assert "I have heard the examples" not in page
    assert "I know the usual slips" in page_of(newcomer)


def test_without_a_convention_it_says_where_one_comes_from() -> None:
    lead = factories.crew_with()
    assert f'<a href="{at("convention", lead)}">Start from one of ours' in page_of(lead)


def test_the_page_asks_as_often_for_many_examples(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    def queries() -> int:
        client = signed_in(newcomer)
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at("convention-examples", newcomer)).status_code == 200
        return len(asked)

    heard_sheet(lead, crate)
    few = queries()
    for _ in range(5):
        heard_sheet(lead, crate)
    assert queries() == few
