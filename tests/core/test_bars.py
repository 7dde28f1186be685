"""Downbeats and phrases of grids whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core.bars import Bars, estimate_bars
from analysis_worker.core.grid import NO_GRID, Grid, estimate_grid
from analysis_worker.core.onsets import onset_bands
from tests.core import drums


def bars_of(sound: np.ndarray) -> tuple[Grid, Bars]:
    bands = onset_bands(sound)
    grid = estimate_grid(bands, len(sound) / drums.RATE)
    return grid, estimate_bars(sound, bands, grid)


@pytest.mark.parametrize("first_downbeat", [0, 1, 2, 3])
def test_downbeats_are_where_chords_change(first_downbeat: int) -> None:
    truth_s = drums.even_beats(124.0, 0.2, 62.0)
    grid, bars = bars_of(drums.track(truth_s, 62.0, first_downbeat=first_downbeat))
    assert len(grid.beats_s) == len(truth_s)
    assert bars.beats_per_bar == 4
    assert bars.first_downbeat == first_downbeat
    assert np.array_equal(bars.downbeats, np.arange(first_downbeat, len(truth_s), 4))
    assert bars.confidence > 0.6


def test_a_bar_with_two_beats_too_few_is_followed() -> None:
    # An edit in the middle of a bar: from beat 66 on, the bars begin two beats earlier than before.
    truth_s = drums.even_beats(124.0, 0.2, 80.0)
    one, other = drums.track(truth_s, 80.0), drums.track(truth_s, 80.0, first_downbeat=2)
    edit = round((truth_s[66] - 0.01) * drums.RATE)
    grid, bars = bars_of(np.concatenate([one[:edit], other[edit:]]))
    assert len(grid.beats_s) == len(truth_s)
    early, late = bars.downbeats[bars.downbeats < 60], bars.downbeats[bars.downbeats > 72]
    assert set(early % 4) == {0}
    assert set(late % 4) == {2}


@pytest.mark.parametrize("first_bar", [0, 3])
def test_phrases_begin_where_the_music_changes(first_bar: int) -> None:
    # Eight-bar sections by turns with and without drums, after a pick-up of ``first_bar`` bars.
    truth_s = drums.even_beats(126.0, 0.2, 120.0)
    sound = drums.track(truth_s, 120.0)
    bare = drums.track(truth_s, 120.0, roots=(50, 53, 46, 48)) * np.float32(0.4)
    for section, start in enumerate(range(first_bar * 4, len(truth_s), 32)):
        if section % 2:
            span = slice(
                round(truth_s[start] * drums.RATE), round(truth_s[min(start + 32, len(truth_s) - 1)] * drums.RATE)
            )
            sound[span] = bare[span]
    _, bars = bars_of(sound)
    lines = bars.phrases[bars.phrases >= first_bar * 4]
    assert set(lines % 32) == {first_bar * 4}
    assert set(bars.phrases) <= set(bars.downbeats)
    assert bars.phrase_confidence > 0.5


def test_no_grid_has_no_bars() -> None:
    silence = np.zeros(drums.RATE * 5, dtype=np.float32)
    bars = estimate_bars(silence, onset_bands(silence), NO_GRID)
    assert len(bars.downbeats) == 0
    assert len(bars.phrases) == 0
    assert bars.confidence == 0.0
    assert bars.phrase_confidence == 0.0


@pytest.mark.parametrize("count", [1, 2, 3, 5, 9, 20])
def test_a_few_beats_give_bars_inside_the_grid(count: int) -> None:
    beats_s = np.arange(count, dtype=np.float64) * 0.5 + 0.1
    sound = drums.track(np.append(beats_s, count * 0.5 + 0.1), count * 0.5 + 0.2)
    bars = estimate_bars(sound, onset_bands(sound), Grid(120.0, (), True, (), beats_s, 1.0))
    assert set(bars.downbeats) <= set(range(count))
    assert set(bars.phrases) <= set(bars.downbeats)
    assert 0.0 <= bars.confidence <= 1.0
    assert 0.0 <= bars.phrase_confidence <= 1.0
