"""Seams of loops: exact repetition joins without a sound, unlike music does not."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core.features import frames_of
from analysis_worker.core.seams import LENGTHS_BARS, BarLines, Seams, bar_lines, find_loops
from analysis_worker.core.sections import Span

RATE = 44_100
BAR_S = 2.0


def bar(seed: int, gain: float = 0.3) -> np.ndarray:
    """A bar of two seconds: a bass note, a chord and a decaying noise burst on each beat, all from the seed."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(BAR_S * RATE)) / RATE
    wave = np.sin(2 * np.pi * rng.uniform(45, 110) * t)
    for _ in range(4):
        wave = wave + 0.5 * np.sin(2 * np.pi * rng.uniform(150, 3_000) * t)
    wave = wave + rng.standard_normal(len(t)) * np.exp(-(t % 0.5) / 0.03)
    return (gain * wave / 3).astype(np.float32)


def seams(lines: BarLines, length: int) -> np.ndarray:
    return Seams(lines).of_length(length)


def lines_of(bars: list[np.ndarray]) -> BarLines:
    sound = np.concatenate(bars)
    return bar_lines(sound, RATE, frames_of(sound, RATE), np.linspace(0.0, len(bars) * BAR_S, len(bars) + 1))


def test_a_bar_that_repeats_exactly_has_a_perfect_seam():
    # The outermost bar lines lie at silence, so the inner loops are looked at.
    assert seams(lines_of([bar(1)] * 8), 2)[1:-1] == pytest.approx(1.0, abs=0.01)


def test_unlike_bars_have_a_poor_seam():
    worst = seams(lines_of([bar(seed) for seed in range(8)]), 1)
    assert np.max(worst) < 0.6


def test_a_pattern_of_two_bars_wants_loops_of_even_length():
    lines = lines_of([bar(1), bar(2)] * 5)
    assert np.min(seams(lines, 2)[1:-1]) > 0.95
    assert np.max(seams(lines, 1)[1:-1]) < 0.6
    assert np.max(seams(lines, 3)[1:-1]) < 0.6


def test_a_step_in_level_lowers_the_seam():
    stepped = seams(lines_of([bar(1)] * 3 + [bar(1, 0.12)] * 3), 2)
    # The loop of bars 1 and 2 is even, that of bars 2 and 3 has the step in it and jumps by 8 dB at its seam.
    assert stepped[1] > 0.95
    assert stepped[2] < 0.3


def test_what_follows_the_loop_does_not_matter():
    changed = seams(lines_of([bar(1)] * 8 + [bar(2)] * 8), 4)
    # A section of four bars that repeat is a loop, even where it is the section's last.
    assert changed[4] > 0.95
    assert np.max(changed[5:8]) < 0.6


def test_loops_longer_than_the_track_do_not_exist():
    lines = lines_of([bar(1)] * 4)
    assert len(seams(lines, 5)) == 0
    assert len(seams(lines, 0)) == 0
    assert len(seams(lines, 4)) == 1


def test_finds_loops_at_section_starts_and_in_the_outro():
    edges = np.linspace(0.0, 32 * BAR_S, 33)
    spans = [Span(0, 8, "intro", 0.5, ""), Span(8, 24, "drop", 0.5, ""), Span(24, 32, "outro", 0.5, "")]
    loops = find_loops(lines_of([bar(1)] * 32), spans, np.full(32, 0.7), edges)
    for length in (1, 2, 4, 8):
        starts = [round(loop.start_us / 2_000_000) for loop in loops if loop.bars == length]
        assert {0, 8, 24} <= set(starts)
    assert {loop.bars for loop in loops} <= set(LENGTHS_BARS)
    assert all(loop.end_us - loop.start_us == loop.bars * 2_000_000 for loop in loops)
    assert all(0 <= loop.seam <= 1 for loop in loops)


def test_silence_is_joined_without_error():
    found = seams(lines_of([np.zeros(int(BAR_S * RATE), np.float32)] * 4), 1)
    assert found == pytest.approx(1.0)


def test_a_loop_to_leave_by_is_natural_free_of_voice_and_in_the_outro():
    edges = np.linspace(0.0, 40 * BAR_S, 41)
    spans = [Span(0, 8, "intro", 0.5, ""), Span(8, 24, "drop", 0.5, ""), Span(24, 40, "outro", 0.5, "")]
    lines = lines_of([bar(1)] * 32 + [bar(2)] * 8)
    sung = np.zeros(40, dtype=bool)
    sung[24:26] = True
    loops = [loop for loop in find_loops(lines, spans, np.full(40, 0.7), edges, sung) if loop.bars == 4]
    exits = [round(loop.start_us / 2_000_000) for loop in loops if loop.place == "exit" and loop.start_us >= 48_000_000]
    assert exits
    # Not over the voice of bars 24 and 25, nor across the change of sound at bar 32.
    assert set(exits) <= {26, 27, 28, 32, 33, 34, 35, 36}
    assert all(loop.rank <= 0.9 for loop in loops if loop.place != "inner")
    assert any(loop.place == "entry" and loop.start_us < 16_000_000 for loop in loops)


def test_ranks_tell_a_seam_from_what_the_music_does_itself():
    """Within eight like bars no bar line steps less than a seam; across two sounds nearly all do."""
    ranks = Seams(lines_of([bar(1)] * 8 + [bar(2)] * 8)).ranks(4)
    assert ranks[0] < 0.9
    assert ranks[6] > 0.9
