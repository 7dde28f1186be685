"""A track that is marked by ear gives nothing away: no sections, no draft, no labels."""

from __future__ import annotations

import json

import pytest
from django.template.loader import render_to_string

from crewprep.analysis.selectors import current_analysis
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.sheets.markers import MarkerInput
from crewprep.web.blind import Blind, blind_context, empty_and_required
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def blind(newcomer: Membership, crate: Crate, lead: Membership) -> Blind:
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    analysis = current_analysis(track)
    assert analysis is not None
    return Blind("drill/1", track, analysis, crate.convention_version, [MarkerInput(1, 250_000)], 3)


def test_neither_sections_nor_drafted_places_are_in_the_page(newcomer: Membership, blind: Blind) -> None:
    context = blind_context(newcomer, blind, keep_url="/keep/")
    html = render_to_string("tracks/_blind.html", {**context, "send": "Hand in"})
    assert "stanza__head" not in html
    assert "Phrase rows" in html
    sections = {section.start_us for section in blind.analysis.result.sections[1:]}
    drafted = {marker.start_us for marker in factories.eight_markers(blind.analysis)[1:]}
    outside_the_grid = json.dumps({**context["desk_data"], "slots": context["slots_data"]})
    for time_us in sections | drafted:
        assert str(time_us) not in outside_the_grid
        assert f'data-start-us="{time_us}"' not in html
    assert [row.label for stanza in context["rows"].stanzas for row in stanza.rows] == [
        str(phrase) for phrase in range(1, 14)
    ]


def test_what_is_kept_comes_back_and_what_every_track_needs_is_named(newcomer: Membership, blind: Blind) -> None:
    context = blind_context(newcomer, blind, keep_url="/keep/")
    assert [line.start_text for line in context["lines"]][:2] == ["0:00.250", ""]
    assert context["desk_data"]["kept"]["revision"] == 3
    assert empty_and_required(blind, blind.markers) == [2, 3, 4, 5, 6]
    assert blind.read({"start-4": "2.1.1"}) == [MarkerInput(4, blind.analysis.result.beats_us[32])]
