"""When a slot is due again, against the library's own figures.

From outside: the interval history of ``test_review_card`` in ``tests/test_basic.py`` of open-spaced-repetition/py-fsrs
(version 6): six times Good, twice Again, five times Good, each on the day it is due.
"""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pytest
from fsrs import Rating

from crewprep.onboarding.scheduling import rating_of, scheduled
from crewprep.onboarding.scoring import MISSES, Miss, SlotScore

START = dt.datetime(2022, 11, 29, 12, 30, tzinfo=dt.UTC)
RIGHT, MISSED = SlotScore(4, "exact"), SlotScore(4, "phrase", phrases=1)
HISTORY = [0, 2, 11, 46, 163, 498, 0, 0, 2, 4, 7, 12, 21]
"""Days, as the library's test has them."""


def test_the_librarys_own_history() -> None:
    card: dict[str, Any] | None = None
    at, days = START, []
    for score in (*[RIGHT] * 6, *[MISSED] * 2, *[RIGHT] * 5):
        after = scheduled(card, score, at=at)
        card = json.loads(json.dumps(after.card))
        days.append((after.due_at - at).days)
        at = after.due_at
    assert days == HISTORY


@pytest.mark.parametrize("miss", MISSES)
def test_each_miss_has_its_rating(miss: Miss) -> None:
    usual = {"exact": Rating.Good, "beat": Rating.Hard}
    assert rating_of(SlotScore(1, miss)) == usual.get(miss, Rating.Again)


@pytest.mark.parametrize(("longer", "rating"), [(0, Rating.Good), (-1, Rating.Good), (4, Rating.Hard)])
def test_a_loop_of_another_length_is_remembered_less_well(longer: float, rating: Rating) -> None:
    assert rating_of(SlotScore(8, "exact", length_off_beats=longer)) == rating


def test_what_is_missed_comes_back_sooner() -> None:
    card: dict[str, Any] | None = None
    for _ in range(3):
        known = scheduled(card, RIGHT, at=START)
        missed = scheduled(card, MISSED, at=START)
        assert missed.due_at < known.due_at
        card = known.card


def test_the_same_marks_give_the_same_days() -> None:
    assert scheduled(None, RIGHT, at=START) == scheduled(None, RIGHT, at=START)


def test_any_aware_instant_will_do() -> None:
    there = START.astimezone(dt.timezone(dt.timedelta(hours=5)))
    assert scheduled(None, RIGHT, at=there) == scheduled(None, RIGHT, at=START)
