"""The longest first, to whoever it fills least: against the best division, found by trying all."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.splitting.rule import Hand, Task, divide, longest_first

PLENTY = 10_000

minutes = st.lists(st.integers(1, 40), min_size=1, max_size=7)


def fullest(tasks: list[int], takers: list[int | None], free: list[int]) -> float:
    """The share of free minutes that the fullest member has; with equal ones it stands for minutes."""
    return max(sum(one for one, by in zip(tasks, takers, strict=True) if by == hand) / room
               for hand, room in enumerate(free))  # fmt: skip


def best(tasks: list[int], free: list[int]) -> float:
    return min(fullest(tasks, list(takers), free) for takers in product(range(len(free)), repeat=len(tasks)))


@given(minutes, st.integers(1, 3))
def test_with_equal_time_the_fullest_is_within_grahams_bound(tasks: list[int], members: int):
    """Graham 1969, theorem 2: at most 4/3 - 1/(3m) times the best division."""
    free = [PLENTY] * members
    found = fullest(tasks, longest_first(tasks, free), free)
    assert found <= best(tasks, free) * (4 / 3 - 1 / (3 * members)) + 1e-9


@pytest.mark.parametrize("members", [2, 3])
def test_grahams_own_instance_reaches_the_bound(members: int):
    """Graham 1969: 2m + 1 tasks of 2m-1, 2m-1, 2m-2, 2m-2, …, m+1, m+1, m, m, m; 4m - 1 against 3m."""
    tasks = [length for length in range(2 * members - 1, members, -1) for _ in range(2)] + [members] * 3
    free = [PLENTY] * members
    assert fullest(tasks, longest_first(tasks, free), free) * PLENTY == pytest.approx(4 * members - 1)
    assert best(tasks, free) * PLENTY == pytest.approx(3 * members)


@given(minutes, st.lists(st.integers(1, 6), min_size=1, max_size=3))
def test_with_unequal_time_the_fullest_is_within_the_bound_of_uniform_processors(tasks: list[int], speeds: list[int]):
    """Gonzalez, Ibarra and Sahni 1977: at most 2m/(m+1) times the best division, by share of the free minutes."""
    free = [speed * PLENTY for speed in speeds]
    found = fullest(tasks, longest_first(tasks, free), free)
    assert found <= best(tasks, free) * 2 * len(free) / (len(free) + 1) + 1e-9


def test_it_is_filled_as_time_allows_and_what_does_not_fit_is_left():
    assert longest_first([30, 20, 10], [60, 30]) == [0, 1, 0]
    assert longest_first([50, 20, 10], [30, 0]) == [None, 0, 0]
    assert longest_first([5], []) == [None]


hands = st.lists(st.tuples(st.integers(0, 120), st.booleans()), min_size=1, max_size=5).map(
    lambda found: [Hand(number, free, reviews) for number, (free, reviews) in enumerate(found)]
)


@st.composite
def crates(draw) -> tuple[list[Task[int]], list[Hand]]:
    members = draw(hands)
    someone = st.none() | st.sampled_from([hand.user for hand in members])
    tasks: list[Task[int]] = []
    for key in range(draw(st.integers(0, 8))):
        authors = frozenset(draw(st.lists(st.sampled_from([hand.user for hand in members]), max_size=1)))
        preparer, reviewer = draw(someone), draw(someone)
        if reviewer is not None and (reviewer == preparer or reviewer in authors or not members[reviewer].reviews):
            reviewer = None
        tasks.append(Task(key, draw(st.integers(0, 40)), draw(st.integers(0, 20)), authors, preparer, reviewer))
    return tasks, members


@given(crates())
def test_each_track_once_fixed_ones_kept_nobody_over_and_no_one_reviews_their_own(
    crate: tuple[list[Task[int]], list[Hand]],
):
    tasks, members = crate
    shares = divide(tasks, members)
    assert [share.key for share in shares] == [task.key for task in tasks]
    assert shares == divide(tasks, members)
    by_user = {hand.user: hand for hand in members}
    given_to = dict.fromkeys(by_user, 0)
    fixed = dict.fromkeys(by_user, 0)
    for task, share in zip(tasks, shares, strict=True):
        assert task.preparer in (None, share.preparer)
        assert task.reviewer in (None, share.reviewer)
        assert share.reviewer is None or share.reviewer not in {share.preparer, *task.authors}
        assert share.reviewer is None or by_user[share.reviewer].reviews
        for user, was, cost in (
            (share.preparer, task.preparer, task.prepare),
            (share.reviewer, task.reviewer, task.review),
        ):
            if user is not None:
                given_to[user] += cost
                fixed[user] += cost if was is not None else 0
    for user, hand in by_user.items():
        assert given_to[user] <= max(hand.free, fixed[user])


@given(crates())
def test_a_track_is_left_only_where_nobody_has_room_at_the_end(crate: tuple[list[Task[int]], list[Hand]]):
    """Loads only grow, so whoever has room for it at the end had room when it was its turn."""
    tasks, members = crate
    shares = divide(tasks, members)
    load = dict.fromkeys((hand.user for hand in members), 0)
    for task, share in zip(tasks, shares, strict=True):
        if share.preparer is not None:
            load[share.preparer] += task.prepare
        if share.reviewer is not None:
            load[share.reviewer] += task.review
    for task, share in zip(tasks, shares, strict=True):
        if share.preparer is None and task.prepare:
            free = {hand.user for hand in members if hand.free and load[hand.user] + task.prepare <= hand.free}
            assert free <= {task.reviewer}


def test_reviews_are_balanced_for_themselves_and_newcomers_only_prepare():
    members = [Hand(1, 600), Hand(2, 600), Hand(3, 600, reviews=False)]
    shares = divide([Task(number, 10, 5) for number in range(30)], members)
    reviews = {user: sum(share.reviewer == user for share in shares) for user in (1, 2, 3)}
    assert reviews == {1: 15, 2: 15, 3: 0}
    totals = {
        user: sum(10 * (share.preparer == user) + 5 * (share.reviewer == user) for share in shares)
        for user in (1, 2, 3)
    }
    assert max(totals.values()) - min(totals.values()) <= 10, totals


def test_where_one_may_review_they_review_what_the_others_prepare():
    shares = divide([Task(number, 10, 5) for number in range(4)], [Hand(1, 600), Hand(2, 600, reviews=False)])
    assert {(share.preparer, share.reviewer) for share in shares} == {(2, 1)}
    alone = divide([Task(0, 10, 5)], [Hand(1, 600)])
    assert alone[0].preparer == 1
    assert alone[0].reviewer is None
