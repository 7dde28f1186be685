"""Simulated newcomers whose error rates are known: the intervals hold the truth as often as they say.

``python -m tests.bench --part practice`` prints the same for a thousand of each. A Wilson interval does not hold it in
exactly 95 % for each share: for few trials the figure swings with the share, its mean being near 95 % (Brown, Cai,
DasGupta 2001). So the simulation is held to the exact figure, and the exact one to its mean.
"""

from __future__ import annotations

from itertools import product
from math import sqrt
from statistics import fmean

import pytest

from tests.bench.practice_bench import SLIPS, SLOTS, Coverage, Newcomer, Table, coverage, exact_coverage

NEWCOMERS = 300
STANDARD_ERRORS = 4


def as_often_as(found: float, exact: float) -> bool:
    """Whether a simulated share is no further from the exact one than chance allows."""
    return abs(found - exact) <= STANDARD_ERRORS * sqrt(exact * (1 - exact) / NEWCOMERS)


@pytest.fixture(scope="module", params=product((0.6, 0.9), (5, 10)), ids=str)
def slot_by_slot(request: pytest.FixtureRequest) -> tuple[float, int, Coverage]:
    right, drills = request.param
    return right, drills, coverage(Newcomer(right), drills, NEWCOMERS)


def test_the_interval_of_a_slot_holds_the_truth_as_often_as_theory_says(slot_by_slot: tuple[float, int, Coverage]):
    right, drills, found = slot_by_slot
    assert as_often_as(found.slot, exact_coverage(right, drills))


def test_so_does_that_of_all_slots_where_they_are_independent(slot_by_slot: tuple[float, int, Coverage]):
    right, drills, found = slot_by_slot
    assert as_often_as(found.independent, exact_coverage(right, drills * SLOTS))
    assert found.pooled >= found.independent


def test_every_slip_is_named_as_it_was_meant(slot_by_slot: tuple[float, int, Coverage]):
    named = slot_by_slot[2].named
    assert named.successes == named.trials > len(SLIPS) * 50


@pytest.mark.parametrize("right", [0.6, 0.8])
def test_where_whole_tracks_go_wrong_only_the_interval_by_drill_holds_the_truth(right: float):
    """Taken as independent, forty slots of five drills hold it in about two of three newcomers."""
    found = coverage(Newcomer(right, whole=0.5), 5, NEWCOMERS)
    assert found.independent < 0.8
    assert found.pooled > 0.93


@pytest.mark.parametrize("trials", [5, 10, 20, 40, 80])
def test_over_all_shares_the_mean_is_near_95_percent(trials: int):
    shares = [(step + 0.5) / 200 for step in range(200)]
    held = [exact_coverage(share, trials) for share in shares]
    assert 0.945 <= fmean(held) <= 0.965
    assert min(held) >= 0.83  # the dips near 0 and 1, which the article shows
    assert min(one for one, share in zip(held, shares, strict=True) if 0.1 <= share <= 0.9) >= 0.89


def test_a_table_is_printed_in_columns():
    table = Table("title", ("right", "drills"), ((0.5, 10), (0.95, 5)))
    assert [*table.lines()] == ["title", "right  drills", "0.500      10", "0.950       5"]
