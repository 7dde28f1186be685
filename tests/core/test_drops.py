"""Drops compared: level, low end, attacks, width, material, and the words for it.

Sources outside: decibels of power ratios are elementary; the M/S decomposition has a side of nothing for mono and a
middle of nothing for opposite channels.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core.audio import Audio
from analysis_worker.core.drops import compare_drops, likeness
from analysis_worker.core.features import MEL_BANDS, BarFeatures
from analysis_worker.core.loudness import HOP_S as POWER_HOP_S
from analysis_worker.core.pitches import Pitches
from analysis_worker.core.spans import Span
from analysis_worker.core.width import Width, width_of

BAR_S, BARS = 2.0, 64
RATE = 44_100
DROPS = (Span(8, 24, "drop", 0.9, ""), Span(40, 56, "drop", 0.9, ""))


def bars(low_db: tuple[float, float]) -> BarFeatures:
    flat = np.full(BARS, -20.0)
    low = flat.copy()
    low[8:24], low[40:56] = low_db
    mel = np.full((BARS, MEL_BANDS), -20.0)
    return BarFeatures(
        edges_s=np.arange(BARS + 1, dtype=np.float64) * BAR_S, level_db=flat, low_db=low, bass_db=low, mid_db=flat,
        high_db=flat,
        kick=np.ones(BARS), onsets=np.full(BARS, 4.0), roll=np.ones(BARS), centroid=np.full(BARS, 10.0),
        tail_db=np.zeros(BARS), mel_db=mel, tone_db=flat, air_db=flat, rest_db=mel,
    )  # fmt: skip


def power(levels_db: tuple[float, float]) -> np.ndarray:
    curve = np.full(round(BARS * BAR_S / POWER_HOP_S), 1e-3)
    for span, level_db in zip(DROPS, levels_db, strict=True):
        curve[round(span.start * BAR_S / POWER_HOP_S) : round(span.end * BAR_S / POWER_HOP_S)] = 10 ** (level_db / 10)
    return curve


def pitches(second_is_the_first: bool) -> Pitches:
    rng = np.random.default_rng(3)
    hop_s = 0.1
    strengths = 0.01 * rng.uniform(size=(round(BARS * BAR_S / hop_s), 48)).astype(np.float32)
    first = rng.integers(0, 48, 128)
    second = first if second_is_the_first else rng.integers(0, 48, 128)
    for start_bar, notes in ((8, first), (40, second)):
        for step, note in enumerate(notes):
            at = start_bar * BAR_S + step * BAR_S / 8
            strengths[round(at / hop_s) : round((at + BAR_S / 8) / hop_s), note] = 1.0
    return Pitches(hop_s, strengths, np.ones(len(strengths), np.float32), 0.0)


def width(second_db: float) -> Width:
    middle = np.ones(round(BARS * BAR_S * 10))
    side = np.full(len(middle), 0.1)
    side[round(40 * BAR_S * 10) : round(56 * BAR_S * 10)] = 10 ** (second_db / 10)
    return Width(middle, side)


def test_the_stronger_drop_is_named_with_its_figures_and_the_first_is_called_soft():
    first, second = compare_drops(DROPS, bars((-20, -17)), power((-12, -10)), width(-5.0), pitches(True))
    assert second.strength > first.strength
    assert first.soft
    assert not second.soft
    assert second.loudness_lufs - first.loudness_lufs == pytest.approx(2.0, abs=0.01)
    assert second.low_db - first.low_db == pytest.approx(3.0)
    assert first.width_db == pytest.approx(-10.0)
    assert second.width_db == pytest.approx(-5.0)
    assert second.reason.startswith("the strongest: +2.0 LU, +3 dB low end, ")
    assert "+5 dB width against drop 1; the notes of drop 1 again" in second.reason


def test_a_first_drop_that_is_not_outdone_is_not_soft():
    first, second = compare_drops(DROPS, bars((-20, -20)), power((-10, -10.4)))
    assert not first.soft
    assert first.strength > second.strength
    assert first.width_db is None


def test_material_is_told_by_its_notes():
    assert compare_drops(DROPS, bars((-20, -20)), power((-10, -10)), None, pitches(True))[1].same_as == 0
    fresh = compare_drops(DROPS, bars((-20, -20)), power((-10, -10)), None, pitches(False))[1]
    assert fresh.same_as is None
    assert fresh.reason.endswith("new material")


def test_likeness_of_the_same_of_others_and_of_too_little():
    rng = np.random.default_rng(1)
    notes = rng.uniform(size=(128, 48))
    assert likeness(notes, notes) == pytest.approx(1.0)
    assert likeness(notes, rng.uniform(size=(128, 48))) < 0.1
    assert likeness(notes[:24], notes[:24]) == 0.0
    assert likeness(np.zeros((128, 48)), np.zeros((128, 48))) == 0.0


def test_one_drop_alone_is_the_only_one():
    assert compare_drops(DROPS[:1], bars((-20, -20)), power((-10, -10)))[0].reason == "the only drop"


def test_width_of_mono_of_sides_alone_and_of_unlike_channels():
    rng = np.random.default_rng(2)
    one, other = rng.standard_normal((2, 3 * RATE)).astype(np.float32)
    same = width_of(Audio(np.column_stack([one, one]), RATE))
    assert same.between_db(0, 3) == pytest.approx(-100.0, abs=1)
    opposite = width_of(Audio(np.column_stack([one, -one]), RATE))
    assert opposite.between_db(0, 3) is None  # nothing in the middle to compare with
    unlike = width_of(Audio(np.column_stack([one, other]), RATE))
    assert unlike.between_db(0, 3) == pytest.approx(0.0, abs=0.2)
    assert width_of(Audio(one[:, None], RATE)).between_db(0, 3) is None
    assert unlike.between_db(10, 12) is None
