"""Figures on drafts against the same counted row by row, and their files."""

from __future__ import annotations

import csv
import io
import json
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.crews.models import Membership
from crewprep.models import Crate, Fate, SheetVersion
from crewprep.onboarding.draft_export import COLUMNS, figures_csv, figures_json
from crewprep.onboarding.draft_figures import (
    Tally,
    calibration,
    draft_figures,
    engines_of,
    is_weak,
    weak_places,
    weakest_first,
)
from crewprep.onboarding.fates import BAND_EDGES, SlotFate
from crewprep.onboarding.figures import Share
from crewprep.review.services import approve_proposal
from tests import factories
from tests.factories.fates import drafts, fates


@pytest.fixture
def sheet(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    return approve_proposal(member=lead, proposal=factories.proposal(resident, into=crate), seen_revision=1)


@pytest.mark.django_db
def test_the_database_counts_as_one_would_by_hand(lead: Membership, sheet: SheetVersion, django_assert_num_queries):
    chance = random.Random(4)
    made = []
    for _ in range(600):
        fate = chance.choice([Fate.KEPT, Fate.KEPT, Fate.MOVED, Fate.MOVED, Fate.DROPPED, Fate.ADDED])
        sure = None if fate == Fate.ADDED else chance.choice([0.0, 0.25, 0.5, 0.8, 1.0, chance.random()])
        off = {Fate.KEPT: chance.uniform(-0.25, 0.25), Fate.MOVED: chance.uniform(-40, 40)}.get(fate)
        phrases = chance.choice([None, 1, -2]) if fate == Fate.MOVED else None
        drawn = SlotFate(1, fate, sure, None if off is None else round(off * 1e6), off, phrases)
        made.append((chance.choice("23"), chance.choice(["drop", "outro"]), chance.choice(["first", "last"]), drawn))
    fates(sheet, made)
    with django_assert_num_queries(1):
        figures = draft_figures(lead, "3")
    assert [(one.engine, one.function, one.which) for one in figures] == [
        ("3", function, which) for function in ("drop", "outro") for which in ("first", "last")
    ]
    for one in figures:
        mine = [told for *place, told in made if place == ["3", one.function, one.which]]
        moved = [abs(told.off_beats or 0) for told in mine if told.fate == Fate.MOVED]
        tally = one.tally
        for kind in ("kept", "moved", "dropped", "added"):
            assert getattr(tally, kind) == sum(told.fate == kind for told in mine)
        assert tally.near == tally.kept + sum(off <= 1 for off in moved)
        assert tally.by_phrases == sum(told.phrases is not None for told in mine)
        assert tally.confidence == pytest.approx(
            np.mean([told.confidence for told in mine if told.confidence is not None])
        )
        # NumPy's inverted_cdf is the nearest rank (R. J. Hyndman, Y. Fan, Sample quantiles, 1996, definition 1).
        quarters = [np.ceil(4 * (off - 1e-4)) / 4 for off in moved]
        assert tally.median_beats == np.percentile(quarters, 50, method="inverted_cdf")
        assert tally.ninetieth_beats == np.percentile(quarters, 90, method="inverted_cdf")
        assert sum(band.tally.drafted for band in one.bands) == tally.drafted
        for band in one.bands:
            inside = [
                told
                for told in mine
                if told.confidence is not None
                and (band.low <= told.confidence < band.high or told.confidence == band.high == 1)
            ]
            assert band.tally.drafted == len(inside)
            assert band.tally.kept == sum(told.fate == Fate.KEPT for told in inside)
    assert len(draft_figures(lead)) == 8


@pytest.mark.django_db
def test_engines_come_newest_first_and_another_crew_has_its_own(lead: Membership, sheet: SheetVersion):
    fates(sheet, [one for engine in ("9", "10", "2.1") for one in drafts(1, 0, engine=engine)])
    assert engines_of(lead) == ["10", "9", "2.1"]
    other = factories.crew_with()
    assert engines_of(other) == []
    assert draft_figures(other) == []


@pytest.mark.django_db
def test_a_place_is_weak_where_fewer_than_half_were_kept_beyond_doubt(
    lead: Membership, sheet: SheetVersion, django_assert_num_queries
):
    made = [
        *drafts(9, 22), *drafts(9, 22, "outro", engine="2"), *drafts(15, 16, "drop", "last"), *drafts(0, 19, "outro"),
        *[("3", "vocal", "first", SlotFate(1, Fate.ADDED))] * 40,
    ]  # fmt: skip
    fates(sheet, made)
    with django_assert_num_queries(1):
        assert weak_places(lead.crew_id, "3") == {("drop", "first"): Share(9, 31)}
    first, *others = weakest_first(draft_figures(lead, "3"))
    assert (first.function, first.tally.drafted) == ("outro", 19)
    assert others[-1].function == "vocal"


@pytest.mark.parametrize(
    ("kept", "drafted", "weak"), [(0, 19, False), (0, 20, True), (5, 20, True), (6, 20, False), (100, 100, False)]
)
def test_the_rule_of_weakness_at_its_edges(kept: int, drafted: int, weak: bool):
    """5 of 20 reaches to 0.469 and 6 of 20 to 0.519 (SciPy: ``binomtest(5, 20).proportion_ci(method="wilson")``)."""
    assert is_weak(Share(kept, drafted)) is weak


@given(st.floats(0, 1))
def test_every_confidence_lies_in_one_band(confidence: float):
    band = SlotFate(1, Fate.KEPT, confidence).band
    assert band is not None
    low, high = BAND_EDGES[band : band + 2]
    assert low <= confidence
    assert confidence < high or confidence == high == 1


@pytest.mark.django_db
def test_calibration_adds_up_the_slots(lead: Membership, sheet: SheetVersion):
    fates(sheet, [*drafts(3, 1), *drafts(4, 0, "outro"), ("3", "outro", "last", SlotFate(1, Fate.DROPPED, 0.3))])
    unsure, sure = calibration(draft_figures(lead, "3"))
    assert (unsure.low, unsure.high, unsure.tally.kept_share) == (0.25, 0.5, Share(0, 1))
    assert (sure.low, sure.high, sure.tally.kept_share) == (0.9, 1.0, Share(7, 8))
    assert sure.tally.confidence == pytest.approx(0.9)


@pytest.mark.django_db
def test_the_files_say_what_each_column_holds_and_name_no_track(lead: Membership, sheet: SheetVersion):
    fates(sheet, [*drafts(9, 22), ("3", "free", "first", SlotFate(1, Fate.ADDED))])
    figures = draft_figures(lead)
    table = list(csv.DictReader(io.StringIO(figures_csv(figures).decode())))
    document = json.loads(figures_json(figures))
    assert list(table[0]) == list(document["columns"]) == list(COLUMNS)
    assert len(table) == len(document["lines"]) == 3
    whole, band, free = document["lines"]
    assert (whole["confidence_from"], band["confidence_from"], band["confidence_to"]) == (None, 0.9, 1.0)
    assert (whole["drafted"], whole["kept"], whole["median_beats"], whole["phrases"]) == (31, 9, 32.0, 22)
    # SciPy: binomtest(9, 31).proportion_ci(method="wilson") is (0.1610, 0.4659).
    assert (whole["kept_share"], whole["kept_low"], whole["kept_high"]) == (0.2903, 0.161, 0.4659)
    assert (free["drafted"], free["kept_share"], free["kept_low"], free["added_share"]) == (0, None, None, 1.0)
    assert table[2]["kept_share"] == ""
    assert sheet.track.title not in figures_csv(figures).decode()


def test_nothing_counted_tells_nothing():
    nothing = Tally()
    assert (nothing.confidence, nothing.median_beats, nothing.kept_share.value, nothing.weak) == (
        None, None, None, False,
    )  # fmt: skip
