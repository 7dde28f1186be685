"""Downbeats and phrases of grids whose truth is known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from analysis_worker.core.bars import Bars, estimate_bars
from analysis_worker.core.grid import NO_GRID, Grid, estimate_grid
from analysis_worker.core.onsets import onset_bands
from analysis_worker.core.phrases import EARLY_COST, PHRASE_COST, SECTION_COST, follow_phrases
from tests.core import drums


def bars_of(sound: np.ndarray) -> tuple[Grid, Bars]:
    bands = onset_bands(sound)
    grid = estimate_grid(bands, len(sound) / drums.RATE)
    return grid, estimate_bars(bands, grid)


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
    lines = bars.phrases[bars.phrases >= first_bar * 4 + 32]  # the first change that can be heard
    assert set(lines % 32) == {first_bar * 4}
    assert set(bars.phrases) <= set(bars.downbeats)
    assert bars.phrase_confidence > 0.5


def test_no_grid_has_no_bars() -> None:
    silence = np.zeros(drums.RATE * 5, dtype=np.float32)
    bars = estimate_bars(onset_bands(silence), NO_GRID)
    assert len(bars.downbeats) == 0
    assert len(bars.phrases) == 0
    assert bars.confidence == 0.0
    assert bars.phrase_confidence == 0.0


@pytest.mark.parametrize("count", [1, 2, 3, 5, 9, 20])
def test_a_few_beats_give_bars_inside_the_grid(count: int) -> None:
    beats_s = np.arange(count, dtype=np.float64) * 0.5 + 0.1
    sound = drums.track(np.append(beats_s, count * 0.5 + 0.1), count * 0.5 + 0.2)
    bars = estimate_bars(onset_bands(sound), Grid(120.0, (), True, (), beats_s, 1.0))
    assert set(bars.downbeats) <= set(range(count))
    assert set(bars.phrases) <= set(bars.downbeats)
    assert 0.0 <= bars.confidence <= 1.0
    assert 0.0 <= bars.phrase_confidence <= 1.0


@pytest.mark.parametrize("cut", [2, 1])
def test_a_cut_bar_is_short_and_the_next_ones_follow(cut: int) -> None:
    # Beats are taken away at a bar line late in the track: the bar before it keeps only ``4 - cut``.
    truth_s = drums.even_beats(124.0, 0.2, 100.0)
    one, other = drums.track(truth_s, 100.0), drums.track(truth_s, 100.0, first_downbeat=4 - cut)
    edit = round((truth_s[100 - cut] - 0.01) * drums.RATE)
    _, bars = bars_of(np.concatenate([one[:edit], other[edit:]]))
    short = np.flatnonzero(np.diff(bars.downbeats) != 4)
    assert len(short) == 1
    assert np.diff(bars.downbeats)[short[0]] == 4 - cut
    assert set(bars.downbeats[bars.downbeats < 90] % 4) == {0}
    assert set(bars.downbeats[bars.downbeats > 110] % 4) == {4 - cut}


def test_nothing_slips_where_nothing_was_cut() -> None:
    truth_s = drums.even_beats(128.0, 0.2, 150.0)
    sound = drums.track(truth_s, 150.0)
    # A long stretch without drums, in which the bass alone tells bars.
    quiet = slice(round(truth_s[96] * drums.RATE), round(truth_s[160] * drums.RATE))
    sound[quiet] *= np.float32(0.2)
    _, bars = bars_of(sound)
    assert set(np.diff(bars.downbeats)) == {4}


def test_three_beats_a_bar() -> None:
    _, bars = bars_of(waltz(first_downbeat=0))
    assert bars.beats_per_bar == 3
    assert set(np.diff(bars.downbeats)) == {3}
    assert bars.first_downbeat == 0


@pytest.mark.parametrize("pickup", [1, 2])
def test_a_waltz_may_begin_with_a_pick_up(pickup: int) -> None:
    _, bars = bars_of(waltz(first_downbeat=pickup))
    assert bars.beats_per_bar == 3
    assert bars.first_downbeat == pickup


def test_the_first_kick_may_be_the_first_sample() -> None:
    truth_s = drums.even_beats(126.0, 0.0, 62.0)
    grid, bars = bars_of(drums.track(truth_s, 62.0))
    assert len(grid.beats_s) == len(truth_s)
    assert abs(grid.beats_s[0]) < 0.005
    assert bars.first_downbeat == 0


def waltz(first_downbeat: int) -> np.ndarray:
    """A kick and a bass note on the first beat of each bar of three, snares on the others, hats on all."""
    seconds = 80.0
    beats_s = drums.even_beats(132.0, 0.2, seconds)
    index = np.arange(len(beats_s)) - first_downbeat
    out = 0.9 * drums.place(drums.kick(), beats_s[index % 3 == 0], seconds)
    out += drums.place(drums.snare(), beats_s[index % 3 != 0], seconds, 0.4)
    out += drums.place(drums.hat(), beats_s, seconds, 0.6)
    for turn, root in enumerate((45, 41, 48, 43)):
        bars_s = beats_s[(index % 3 == 0) & (index // 3 % 4 == turn)]
        for step, level in ((0, 0.12), (12, 0.05), (16, 0.05), (19, 0.05)):
            out += drums.place(drums.note(root + step, 1.2), bars_s, seconds, level)
    return (0.5 * out).astype(np.float32)


def phrases_from(*sections: int, heard: float = 5.0) -> tuple[list[int], float]:
    """Phrase starts (in bars) where sections of so many bars are heard to begin, and how sure they are."""
    starts = np.cumsum([0, *sections])
    odds = np.full(starts[-1], -2.0)
    odds[starts[1:-1]] = heard
    found, sure = follow_phrases(odds, np.full(starts[-1], -1.0), np.arange(starts[-1]) * 4)
    return (found // 4).tolist(), sure


def test_phrases_count_anew_where_a_section_lasts_four_bars_too_few() -> None:
    found, sure = phrases_from(16, 12, 16)
    assert found == [0, 8, 16, 24, 28, 36]
    assert sure > 0.8


@pytest.mark.parametrize("odd", [2, 1])
def test_phrases_slip_by_two_bars_or_one_at_clear_sections_only(odd: int) -> None:
    found, _ = phrases_from(16, 8 + odd, 16, heard=9.0)
    assert found == [0, 8, 16, 24, 24 + odd, 32 + odd]
    unclear, _ = phrases_from(16, 8 + odd, 16, heard=1.0)
    assert unclear == [0, 8, 16, 24, 32, 40]


def test_music_that_says_nothing_keeps_one_phrase_line_and_is_not_sure() -> None:
    found, sure = phrases_from(32, heard=0.0)
    assert found == [0, 8, 16, 24]
    assert sure < phrases_from(16, 16)[1]


def test_how_sure_phrases_are_is_the_share_of_all_ways_to_number_them() -> None:
    # Nine bars by brute force: every way to cut them into phrases, weighed by the same costs.
    rng = np.random.default_rng(4)
    section, phrase = rng.normal(0, 1.5, 9), rng.normal(0, 1.5, 9)
    ways: dict[tuple[int, ...], float] = {}
    for first, *new in itertools.product(range(8), *[(False, True)] * 8):
        places, score = [first], 0.0 if first == 0 else -2.0
        for bar, anew in enumerate(new, start=1):
            last = places[-1]
            if anew and last == 7:
                score += max(section[bar] - SECTION_COST, phrase[bar] - PHRASE_COST)
            elif anew and last < 7:
                score += section[bar] - EARLY_COST[last]
            places.append(0 if anew else last + 1)
        if max(places) < 8:
            ways[tuple(places)] = score
    best = max(ways, key=lambda way: ways[way])
    total = sum(np.exp(score) for score in ways.values())
    sure = np.mean([sum(np.exp(s) for w, s in ways.items() if w[bar] == best[bar]) / total for bar in range(9)])
    found, said = follow_phrases(section, phrase, np.arange(9))
    assert found.tolist() == [bar for bar in range(9) if best[bar] == 0]
    assert said == pytest.approx(sure)
