"""Shares and their intervals against SciPy, boundaries against mir_eval, and the confusion of functions."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import mir_eval
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm, t

from crewprep.onboarding.figures import (
    NOTHING,
    BoundaryF,
    Confusion,
    Interval,
    Pooled,
    Share,
    _student,
    boundary_f,
    confusion,
    pooled,
    taken_for,
    wilson,
)
from tests.onboarding.test_scoring import GRID, NO_GRID, At, at, marked_tracks, markers

trials = st.integers(1, 2_000).flatmap(lambda many: st.tuples(st.integers(0, many), st.just(many)))
confidences = st.floats(0.5, 0.999)
places = st.lists(st.integers(0, 30_000), min_size=1, max_size=30).map(sorted)
windows = st.integers(0, 5_000)
FUNCTIONS = {slot: ("mix-in", "breakdown", "build-up", "drop", "outro")[slot % 5] for slot in range(17)}


# Shares


@given(trials, confidences)
def test_the_interval_is_scipys(tried: tuple[int, int], confidence: float):
    theirs = binomtest(*tried).proportion_ci(confidence, method="wilson")
    ours = wilson(*tried, confidence)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@given(trials, confidences)
def test_the_interval_holds_the_share_and_stays_in_range(tried: tuple[int, int], confidence: float):
    interval, value = wilson(*tried, confidence), Share(*tried).value
    assert value is not None
    assert 0 <= interval.low <= value <= interval.high <= 1
    assert value in interval


@given(trials)
def test_failures_mirror_successes(tried: tuple[int, int]):
    successes, many = tried
    one, other = wilson(successes, many), wilson(many - successes, many)
    assert (one.low, one.high) == pytest.approx((1 - other.high, 1 - other.low), abs=1e-12)


@given(trials, st.integers(2, 50))
def test_more_of_the_same_makes_it_narrower(tried: tuple[int, int], times: int):
    few, more = wilson(*tried), wilson(tried[0] * times, tried[1] * times)
    assert more.high - more.low < few.high - few.low


def test_five_right_of_five_are_no_certainty():
    assert wilson(5, 5).low == pytest.approx(0.5655, abs=1e-4)
    assert wilson(5, 5).high == 1.0
    assert wilson(0, 5).low == 0.0


def test_of_nothing_tried_nothing_is_known():
    assert Share(0, 0).value is None
    assert Share(0, 0).interval == Interval(0.0, 1.0)


@pytest.mark.parametrize("wrong", [(3, 2), (-1, 2), (0, -1), (1, 2, 0), (1, 2, 1), (1, 2, 1.5)])
def test_what_is_no_share_is_refused(wrong: tuple[int, int]):
    with pytest.raises(ValueError, match=r"trials|confidence"):
        wilson(*wrong)


# Drills taken together

drills = st.lists(st.integers(0, 16).flatmap(lambda many: st.builds(Share, st.integers(0, many), st.just(many))))


@given(drills, st.randoms(use_true_random=False))
def test_drills_together_are_in_range_and_in_any_order_the_same(shares: list[Share], random):
    one = Pooled(tuple(shares))
    assert one.successes == sum(share.successes for share in shares)
    assert (one.value is None) == (one.trials == 0)
    interval = one.interval
    assert 0 <= interval.low <= interval.high <= 1
    assert one.value is None or interval.low - 1e-12 <= one.value <= interval.high + 1e-12
    other = pooled(random.sample(shares, len(shares)))
    assert (other.low, other.high) == pytest.approx((interval.low, interval.high))


@given(drills, confidences)
def test_drills_together_are_no_surer_than_their_slots_alone_and_no_less_than_one_trial_a_drill(
    shares: list[Share], confidence: float
):
    successes, slots = sum(one.successes for one in shares), sum(one.trials for one in shares)
    interval, of_slots = pooled(shares, confidence), wilson(successes, slots, confidence)
    assert interval.low <= of_slots.low + 1e-9
    assert of_slots.high <= interval.high + 1e-9
    if slots and slots % (many := sum(one.trials > 0 for one in shares)) == 0 and successes * many % slots == 0:
        of_drills = wilson(successes * many // slots, many, confidence)
        assert of_drills.low <= interval.low + 1e-9
        assert interval.high <= of_drills.high + 1e-9


def test_one_drill_is_one_trial():
    assert pooled([Share(8, 8)]) == wilson(1, 1)


def test_many_drills_that_differ_as_chance_has_it_come_near_their_slots():
    shares = [Share(number % 3 + 5, 8) for number in range(600)]
    together, of_slots = pooled(shares), wilson(3600, 4800)
    assert together.high - together.low == pytest.approx(of_slots.high - of_slots.low, rel=0.01)


def test_drills_all_right_or_all_wrong_count_as_one_trial_each():
    shares = [Share(8, 8), Share(0, 8)] * 100
    together, of_drills = pooled(shares), wilson(100, 200)
    assert (together.low, together.high) == pytest.approx((of_drills.low, of_drills.high), abs=1e-3)


@pytest.mark.parametrize("freedom", [3, 4, 9, 19, 99])
@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95])
def test_students_t_is_scipys(freedom: int, confidence: float):
    upper = (1 + confidence) / 2
    assert _student(norm.ppf(upper), freedom) == pytest.approx(t.ppf(upper, freedom), rel=2e-3)


# Boundaries

MIR_EVAL_REF00 = """
0.355011337 0.807006802 0.943990929 1.968367346 2.171428571 2.380612244 2.563265306 3.439455782 4.643990929 6.185215419
6.339047619 6.526258503 6.678639455 7.397006802 8.354829931 8.798911564 8.877278911 8.948390022 9.184943310 9.430204081
9.601451247 9.811882086
"""
MIR_EVAL_EST00 = """
0.174149660 0.415056689 0.850430839 0.992653061 1.904036281 2.023038549 2.214603175 2.438095238 2.609342404 3.482993197
4.684625850 4.728163265 5.700498866 5.868843537 6.217142857 6.266485261 6.385487528 6.713469388 7.439092971 7.471020408
8.182131519 8.405623583 8.852607710 9.232834467 9.505668934 9.665306123 9.830748299
"""


def test_mir_evals_own_example():
    """``tests/data/onset/*00`` of mir_eval 0.8 (MIT), a window of 50 ms: precision 13/27, recall 13/22, F 0.5306."""
    ref, est = ([round(float(time) * 1e6) for time in text.split()] for text in (MIR_EVAL_REF00, MIR_EVAL_EST00))
    found = boundary_f(ref, est, 50_000)
    assert (found.f, found.precision, found.recall) == pytest.approx(
        (0.5306122448979591, 0.48148148148148145, 0.5909090909090909)
    )


@given(places, places, windows)
def test_places_are_matched_as_mir_eval_matches_onsets(truth: list[int], placed: list[int], window: int):
    """Whole numbers as seconds, so that no rounding decides what lies in the window."""
    found = boundary_f(truth, placed, window)
    theirs = mir_eval.onset.f_measure(np.array(truth, float), np.array(placed, float), window=window)
    assert (found.f, found.precision, found.recall) == pytest.approx(theirs)


@given(st.sets(st.integers(1, 3_000), min_size=1), st.sets(st.integers(1, 3_000), min_size=1), st.integers(0, 500))
def test_places_are_matched_as_mir_eval_matches_boundaries(truth: set[int], placed: set[int], window: int):
    def sections(starts: set[int]) -> np.ndarray:
        edges = [0, *sorted(starts)]
        return np.array(list(pairwise(edges)), float)

    found = boundary_f([0, *truth], [0, *placed], window)
    theirs = mir_eval.segment.detection(sections(truth), sections(placed), window=window)
    assert (found.precision, found.recall, found.f) == pytest.approx(theirs)


@given(places, st.integers(0, 5_000))
def test_all_found_is_perfect(truth: list[int], window: int):
    found = boundary_f(truth, truth, window)
    assert (found.precision, found.recall, found.f) == (1, 1, 1)


@given(places, places, windows, st.randoms(use_true_random=False))
def test_the_order_of_places_does_not_matter_and_changing_sides_swaps_precision_and_recall(
    truth, placed, window, random
):
    found = boundary_f(truth, placed, window)
    assert all(0 <= figure <= 1 for figure in (found.precision, found.recall, found.f))
    turned = boundary_f(random.sample(placed, len(placed)), random.sample(truth, len(truth)), window)
    assert (found.precision, found.recall, found.f) == (turned.recall, turned.precision, turned.f)


def test_a_place_is_found_once():
    assert boundary_f([100], [95, 105], 10) == BoundaryF(found=1, right=1, placed=2)
    assert boundary_f([95, 105], [100], 10) == BoundaryF(found=1, right=2, placed=1)


def test_the_window_holds_its_ends():
    assert boundary_f([100], [110], 10).f == 1
    assert boundary_f([100], [111], 10).f == 0


def test_with_nothing_on_a_side_the_figures_are_0():
    for found in (boundary_f([], [], 10), boundary_f([1], [], 10), boundary_f([], [1], 10)):
        assert (found.precision, found.recall, found.f) == (0, 0, 0)


def test_a_window_below_0_is_refused():
    with pytest.raises(ValueError, match="below 0"):
        boundary_f([1], [1], -1)


def test_several_tracks_add_up():
    """One of two found on the first, two of two on the second, where one more was set."""
    together = boundary_f([0, 100], [0], 10) + boundary_f([0, 100], [0, 50, 100], 10)
    assert (together.precision, together.recall, together.f) == (3 / 4, 3 / 4, 3 / 4)


# Confusion


def test_each_place_of_the_sheet_is_paired_with_what_was_set_there():
    functions = {1: "mix-in", 2: "build-up", 3: "drop", 4: "outro"}
    sheet = [at(0, 1), at(64, 2), at(128, 3)]
    placed = [at(0.5, 1), at(64, 3), at(160, 4)]
    assert Counter(taken_for(sheet, placed, functions, GRID)) == Counter(
        [("mix-in", "mix-in"), ("build-up", "drop"), ("drop", NOTHING), (NOTHING, "outro")]
    )


def test_the_same_slot_goes_first_then_the_same_function_then_the_nearest():
    functions = {1: "drop", 2: "drop", 3: "vocal", 4: "riff"}
    assert taken_for([at(64, 1)], [at(64, 3), at(65, 1)], functions, GRID) == [("drop", "drop"), (NOTHING, "vocal")]
    assert taken_for([at(64, 1)], [at(64, 3), at(65, 2)], functions, GRID) == [("drop", "drop"), (NOTHING, "vocal")]
    assert taken_for([at(64, 1)], [at(64.5, 3), at(64.25, 4)], functions, GRID) == [
        ("drop", "riff"), (NOTHING, "vocal"),
    ]  # fmt: skip


def test_a_place_is_within_a_beat():
    functions = {1: "drop", 2: "vocal"}
    assert taken_for([at(64, 1)], [at(65, 2)], functions, GRID) == [("drop", "vocal")]
    assert taken_for([at(64, 1)], [at(65.1, 2)], functions, GRID) == [("drop", NOTHING), (NOTHING, "vocal")]


def test_a_slot_without_a_function_is_refused():
    with pytest.raises(KeyError):
        taken_for([at(64, 9)], [], {1: "drop"}, GRID)


@given(marked_tracks(), st.randoms(use_true_random=False))
def test_every_marker_is_in_one_pair_and_their_order_does_not_matter(track, random):
    truth, placed, time = track
    pairs = Counter(taken_for(truth, placed, FUNCTIONS, time))
    meant, was_set = Counter[str](), Counter[str]()
    for (left, right), count in pairs.items():
        meant[left] += count
        was_set[right] += count
    assert (NOTHING, NOTHING) not in pairs
    for one in (meant, was_set):
        del one[NOTHING]
    assert meant == Counter(FUNCTIONS[one.slot] for one in truth)
    assert was_set == Counter(FUNCTIONS[one.slot] for one in placed)
    shuffled = random.sample(truth, len(truth)), random.sample(placed, len(placed))
    assert Counter(taken_for(*shuffled, FUNCTIONS, time)) == pairs


@given(markers(NO_GRID))
def test_the_sheet_itself_is_confused_with_nothing(sheet: list[At]):
    assert all(meant == was_set for meant, was_set in taken_for(sheet, sheet, FUNCTIONS, NO_GRID))


def test_the_table_has_a_row_and_a_column_for_every_function_and_nothing_last():
    table = confusion(
        [("drop", "drop"), ("drop", "build-up"), ("drop", "drop"), ("mix-in", NOTHING)], ["mix-in", "drop", "riff"]
    )
    assert table.names == ("mix-in", "drop", "build-up", NOTHING)
    assert table.rows == [
        ("mix-in", [0, 0, 0, 1]), ("drop", [0, 2, 1, 0]), ("build-up", [0, 0, 0, 0]), (NOTHING, [0, 0, 0, 0]),
    ]  # fmt: skip
    assert table.share("drop") == Share(2, 3)
    assert table.share("riff") == Share(0, 0)


def test_of_no_pairs_the_table_is_empty():
    assert confusion([]) == Confusion((), {})


labels = st.sampled_from(["drop", "outro", "riff", NOTHING])


@given(st.lists(st.tuples(labels, labels)), st.randoms(use_true_random=False))
def test_the_table_counts_every_pair_once_in_any_order(pairs: list[tuple[str, str]], random):
    table = confusion(pairs)
    assert sum(sum(counts) for _, counts in table.rows) == len(pairs)
    assert confusion(random.sample(pairs, len(pairs))) == table
    turned = confusion([(was_set, meant) for meant, was_set in pairs])
    assert all(turned.count(one, other) == table.count(other, one) for one in table.names for other in table.names)
    assert {name for pair in pairs for name in pair} == set(table.names)
