"""Estimates of minutes, and what a crew's own times make of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.preparation.estimate import CrewFactor, Facts, crew_factor, estimate

FACTS = Facts(duration_us=360_000_000, markers=3, confidence=0.7, open_slots=1)


def test_it_is_the_sum_of_parts_that_can_be_read():
    found = estimate(FACTS)
    assert [part.words for part in found.parts] == [
        "open it and propose", "hear it through", "check the draft", "settle what is unsure", "find open slots"
    ]  # fmt: skip
    assert found.plain == pytest.approx(2 + 1.25 * 6 + 0.4 * 3 + 1.6 * 0.9 + 1.5)
    assert (found.prepare, found.review, found.assumed) == (14, 6, False)
    assert estimate(FACTS, CrewFactor(2.0, 9)).prepare == 27
    assert estimate(FACTS, CrewFactor(2.0, 9)).review == found.review, "no reviews are timed"


@pytest.mark.parametrize(
    "harder",
    [
        replace(FACTS, duration_us=480_000_000),
        replace(FACTS, confidence=0.6),
        replace(FACTS, markers=2, confidence=0.85, open_slots=2),
        replace(FACTS, steady=False),
        replace(FACTS, grid_confidence=0.3),
    ],
)
def test_longer_less_sure_more_open_or_unsteady_takes_longer(harder: Facts):
    assert estimate(harder).plain > estimate(FACTS).plain


def test_a_track_that_is_not_analysed_is_assumed_and_says_so():
    found = estimate(Facts(None, 0, None, 7))
    assert found.assumed
    assert found.prepare == round(2 + 7.5 + 10.5)


def test_no_times_change_nothing_and_few_change_little():
    assert crew_factor([]) == CrewFactor(1.0, 0)
    assert crew_factor([(10, 20)]).value == pytest.approx(2 ** (1 / 6)), "Bühlmann's n / (n + k) with k = 5"
    assert crew_factor([(10, 20)] * 45).value == pytest.approx(2**0.9)
    assert crew_factor([(10, 20)] * 45).recorded == 45


def test_wild_times_do_not_move_it_far():
    honest = [(10.0, 12.0)] * 11
    assert crew_factor([*honest, *[(10.0, 600.0)] * 5]).value == pytest.approx(1.2 ** (16 / 21))


times = st.tuples(st.floats(1, 60), st.floats(0.5, 600))


@given(st.lists(times, min_size=1, max_size=30))
def test_it_lies_between_one_and_the_crews_own_ratios(found: list[tuple[float, float]]):
    ratios = [taken / expected for expected, taken in found]
    value = crew_factor(found).value
    assert max(min([1.0, *ratios]), 0.25) - 1e-9 <= value <= min(max([1.0, *ratios]), 4.0) + 1e-9


@given(st.lists(times, min_size=1, max_size=30), st.floats(1.01, 3))
def test_a_slower_crew_has_a_greater_factor(found: list[tuple[float, float]], slower: float):
    assert crew_factor([(expected, slower * taken) for expected, taken in found]).value >= crew_factor(found).value
