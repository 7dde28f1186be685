"""mir_eval answers as its documentation and papers say: the measures that every figure here rests on.

Its own test data is not in the wheel, so what is checked are identities and hand-computed cases. Sources: Raffel et
al., "mir_eval" (ISMIR 2014); Davies et al., "Evaluation methods for musical audio beat tracking algorithms" (2009) for
continuity; MIREX audio key detection for the weights of keys.
"""

from __future__ import annotations

import mir_eval
import numpy as np
import pytest

BEATS = np.arange(5.0, 65.0, 0.5)


def test_beats_equal_to_the_truth_have_full_marks_in_every_measure():
    assert mir_eval.beat.f_measure(BEATS, BEATS) == 1.0
    assert mir_eval.beat.continuity(BEATS, BEATS) == (1.0, 1.0, 1.0, 1.0)
    assert mir_eval.beat.cemgil(BEATS, BEATS) == (1.0, 1.0)


def test_every_second_beat_has_full_precision_and_half_the_recall():
    assert mir_eval.beat.f_measure(BEATS, BEATS[::2]) == pytest.approx(2 / 3)
    cmlc, cmlt, amlc, amlt = mir_eval.beat.continuity(BEATS, BEATS[::2])
    assert (cmlc, cmlt) == (0.0, 0.0)
    assert amlt > 0.95
    assert amlc > 0.95


def test_beats_between_the_beats_match_nothing_but_are_allowed_as_another_level():
    between = BEATS + 0.25
    assert mir_eval.beat.f_measure(BEATS, between) == 0.0
    assert mir_eval.beat.continuity(BEATS, between)[1] == 0.0
    assert mir_eval.beat.continuity(BEATS, between)[3] > 0.95


@pytest.mark.parametrize(("late_s", "window_s", "mark"), [(0.019, 0.02, 1.0), (0.021, 0.02, 0.0), (0.021, 0.07, 1.0)])
def test_the_window_of_the_beat_measure_is_what_it_is_told(late_s, window_s, mark):
    assert mir_eval.beat.f_measure(BEATS, BEATS + late_s, f_measure_threshold=window_s) == mark


def test_an_early_slip_halves_the_longest_stretch_and_not_the_total():
    slipped = BEATS.copy()
    slipped[len(BEATS) // 2] += 0.2
    cmlc, cmlt = mir_eval.beat.continuity(BEATS, slipped)[:2]
    assert cmlc == pytest.approx(0.5, abs=0.02)
    assert cmlt > 0.97


def test_the_first_five_seconds_are_left_out():
    assert mir_eval.beat.trim_beats(np.arange(0.0, 10.0, 0.5))[0] == 5.0


def test_boundaries_count_once_each_within_the_window_and_ends_are_trimmed():
    true = np.array([[0.0, 10.0], [10.0, 20.0], [20.0, 30.0]])
    near = np.array([[0.0, 10.4], [10.4, 20.6], [20.6, 30.0]])
    precision, recall, f = mir_eval.segment.detection(true, near, window=0.5, trim=True)
    assert (precision, recall, f) == (0.5, 0.5, 0.5)
    assert mir_eval.segment.detection(true, near, window=3.0, trim=True)[2] == 1.0


@pytest.mark.parametrize(
    ("said", "mark"),
    [("C major", 1.0), ("G major", 0.5), ("F major", 0.0), ("A minor", 0.3), ("C minor", 0.2), ("E major", 0.0)],
)
def test_keys_have_the_weights_of_mirex_and_a_fifth_counts_upwards_only(said, mark):
    assert mir_eval.key.weighted_score("C major", said) == mark


def test_events_are_matched_one_to_one():
    assert len(mir_eval.util.match_events(np.array([1.0, 2.0]), np.array([1.1, 1.2, 1.3]), 0.5)) == 1
