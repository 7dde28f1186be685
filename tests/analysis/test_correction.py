"""Grids corrected by hand, on a track of 96 bars at 128 BPM whose first beat falls at 0.25 s: beats by arithmetic."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from analysis_worker.core.results import Reading, TrackAnalysis
from crewprep.analysis import correction
from crewprep.analysis.correction import UnusableError
from crewprep.analysis.musical_time import MusicalTime
from tests import factories

FIRST_US = 250_000
BEAT_US = 468_750
"""60 s / 128."""


@pytest.fixture
def found() -> TrackAnalysis:
    return factories.analysis_result(bars=96, bpm=128.0, first_beat_us=FIRST_US)


def check(result: TrackAnalysis) -> None:
    """What holds of every grid."""
    assert list(result.beats_us) == sorted(set(result.beats_us))
    assert result.beats_us[0] >= 0
    assert result.beats_us[-1] <= result.duration_us
    assert set(result.downbeats_us) <= set(result.beats_us)
    assert set(result.phrases_us) <= set(result.downbeats_us)
    assert len(result.energy) == len(result.downbeats_us)
    assert len(result.contour.loudness) == result.contour.steps_per_beat * (len(result.beats_us) - 1)
    assert len(result.contour.low) == len(result.contour.onsets) == len(result.contour.loudness)
    assert TrackAnalysis.from_facts(result.to_facts()) == result


def untouched(result: TrackAnalysis, found: TrackAnalysis) -> bool:
    return (result.sections, result.drops, result.loops, result.key) == (
        found.sections,
        found.drops,
        found.loops,
        found.key,
    )


def test_half_a_beat_later_and_again_is_a_beat_later(found: TrackAnalysis):
    once = correction.half_a_beat_later(found)
    check(once)
    assert once.downbeats_us[0] == FIRST_US + BEAT_US // 2
    assert once.beats_us[0] == FIRST_US - BEAT_US // 2
    assert once.tempo_bpm == 128.0
    assert untouched(once, found)
    twice = correction.half_a_beat_later(once)
    check(twice)
    assert twice.downbeats_us[0] == FIRST_US + BEAT_US


@pytest.mark.parametrize("beats", [1, 2, 3, 5, 13, 33, 70])
def test_the_one_is_where_it_is_said_to_be(found: TrackAnalysis, beats: int):
    at_us = FIRST_US + beats * BEAT_US
    result = correction.one_here(found, at_us + 40_000)
    check(result)
    assert at_us in result.phrases_us
    grid = MusicalTime.of(result)
    assert grid.address(at_us).endswith(".1.1")
    # Bars still have four beats, phrases eight bars.
    assert {b - a for a, b in pairwise(result.downbeats_us)} <= {4 * BEAT_US, 4 * BEAT_US - 1, 4 * BEAT_US + 1}
    assert {grid.phrases[n + 1] - grid.phrases[n] for n in range(len(grid.phrases) - 1)} == {32}
    assert untouched(result, found)


def test_the_one_on_a_phrase_line_changes_nothing(found: TrackAnalysis):
    result = correction.one_here(found, found.phrases_us[3])
    # A corrected grid goes on to the end of the audio; up to where it was heard it is the same.
    assert result.beats_us[: len(found.beats_us)] == found.beats_us
    assert result.downbeats_us[: len(found.downbeats_us)] == found.downbeats_us
    assert result.phrases_us[: len(found.phrases_us)] == found.phrases_us


def test_a_beat_later_moves_bars_and_phrases_and_a_bar_full_of_them_moves_the_phrase_by_a_bar(found: TrackAnalysis):
    later = correction.a_beat_later(found)
    check(later)
    assert later.beats_us[: len(found.beats_us)] == found.beats_us
    assert set(later.downbeats_us) >= {
        found.beats_us[found.beats_us.index(line) + 1] for line in found.downbeats_us[:-1]
    }
    for _ in range(3):
        later = correction.a_beat_later(later)
    check(later)
    assert set(later.downbeats_us) >= set(found.downbeats_us[1:])
    assert found.downbeats_us[1] in later.phrases_us


def test_half_and_double_the_tempo_keep_the_phrase_line_and_undo_each_other(found: TrackAnalysis):
    slower = correction.times_two(found, faster=False)
    check(slower)
    assert slower.tempo_bpm == 64.0
    assert slower.downbeats_us[:2] == (FIRST_US, FIRST_US + 8 * BEAT_US)
    faster = correction.times_two(slower, faster=True)
    check(faster)
    assert faster.tempo_bpm == 128.0
    assert faster.beats_us[:100] == found.beats_us[:100]
    with pytest.raises(UnusableError, match="between 20 and 400"):
        correction.times_two(correction.times_two(faster, faster=True), faster=True)


def test_a_kept_reading_is_laid_on_as_it_was_kept(found: TrackAnalysis):
    later = Reading(128.0, FIRST_US + BEAT_US // 2, 4, 0.2, "half a beat later")
    result = correction.respaced(found, later)
    check(result)
    assert later.first_beat_us in result.beats_us
    threes = correction.respaced(found, Reading(128.0, FIRST_US, 3, 0.1, "three beats a bar"))
    check(threes)
    assert threes.beats_per_bar == 3
    assert threes.downbeats_us[1] - threes.downbeats_us[0] == 3 * BEAT_US
    swung = correction.respaced(found, Reading(128.0 * 2 / 3, FIRST_US, 4, 0.1, "two thirds of the tempo"))
    check(swung)
    assert swung.tempo_bpm == pytest.approx(85.3333, abs=1e-3)
    assert swung.beats_us[1] - swung.beats_us[0] == pytest.approx(1.5 * BEAT_US, abs=1)


def test_moving_moves_every_beat_and_no_further_than_is_sensible(found: TrackAnalysis):
    result = correction.moved(found, -7_000)
    check(result)
    assert result.beats_us[0] == FIRST_US - 7_000
    assert correction.moved(result, 7_000).downbeats_us[: len(found.downbeats_us)] == found.downbeats_us
    with pytest.raises(UnusableError, match="at most 500"):
        correction.moved(found, 501_000)


def test_one_tempo_throughout_counts_from_the_given_bar_line(found: TrackAnalysis):
    result = correction.steady(found, 126.0, 1_000_000)
    check(result)
    assert result.tempo_bpm == 126.0
    assert 1_000_000 in result.downbeats_us
    period = 60e6 / 126
    assert all(abs((beat - 1_000_000) / period - round((beat - 1_000_000) / period)) < 1e-5 for beat in result.beats_us)
    for bpm, at_us in ((10.0, 0), (500.0, 0), (128.0, -1), (128.0, found.duration_us + 1)):
        with pytest.raises(UnusableError):
            correction.steady(found, bpm, at_us)


def test_another_tempo_from_a_place_on_leaves_what_comes_before(found: TrackAnalysis):
    turn_us = found.downbeats_us[16]
    result = correction.tempo_from(found, turn_us + 30_000, 100.0)
    check(result)
    before = [beat for beat in found.beats_us if beat <= turn_us]
    assert list(result.beats_us[: len(before)]) == before
    assert result.beats_us[len(before)] - turn_us == 600_000
    assert not result.steady
    assert [(part.start_us, part.bpm) for part in result.tempo_segments][-1] == (turn_us, 100.0)
    with pytest.raises(UnusableError):
        correction.tempo_from(found, 0, 100.0)


def test_a_track_without_a_grid_gets_one_by_tempo_and_place(found: TrackAnalysis):
    bare = replace(found, tempo_bpm=None, beats_us=(), downbeats_us=(), phrases_us=(), tempo_segments=(), energy=())
    with pytest.raises(UnusableError, match="no grid"):
        correction.half_a_beat_later(bare)
    result = correction.steady(bare, 128.0, FIRST_US)
    assert result.tempo_bpm == 128.0
    assert FIRST_US in result.phrases_us
    assert not MusicalTime.of(result).timed


def test_what_is_drawn_stays_where_it_sounds(found: TrackAnalysis):
    loud = max(range(len(found.contour.loudness)), key=lambda step: found.contour.loudness[step])
    at_us = FIRST_US + loud * BEAT_US / 16
    for result in (correction.half_a_beat_later(found), correction.times_two(found, faster=True)):
        grid = MusicalTime.of(result)
        first = grid.beats_us.index(result.beats_us[0])
        step = int((grid.position(round(at_us)) - first) * 16)
        near = result.contour.loudness[max(0, step - 2) : step + 3]
        assert max(near) >= found.contour.loudness[loud] - 2
