"""Figures per frame and bar: averages over spans, attacks, bands, energy."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core import features
from analysis_worker.core.energy import bar_energy
from analysis_worker.core.loudness import k_weighted_power
from analysis_worker.core.onsets import onset_bands

RATE = 44_100


def test_averages_between_edges_weigh_parts_of_frames():
    values = np.array([0.0, 1.0, 2.0, 3.0])
    # Value k stands for k - 0.5 … k + 0.5; from 0.5 to 2.0 lie the whole of 1 and half of 2.
    means = features.average_between(values, 1.0, np.array([0.5, 2.0, 2.5]))
    assert means.tolist() == pytest.approx([(1.0 + 0.5 * 2.0) / 1.5, 2.0])


def test_averages_outside_the_curve_use_its_ends():
    values = np.array([[1.0, 5.0], [2.0, 6.0]])
    means = features.average_between(values, 1.0, np.array([-9.0, -8.0, 8.0, 9.0]))
    assert means[0].tolist() == [1.0, 5.0]
    assert means[2].tolist() == [2.0, 6.0]
    assert features.average_between(np.zeros(0), 1.0, np.array([0.0, 1.0])).tolist() == [0.0]


@pytest.mark.parametrize(("hertz", "band"), [(60.0, "low"), (600.0, "mid"), (5_000.0, "high")])
def test_a_tone_shows_in_its_own_band_with_its_own_power(hertz, band):
    tone = (0.5 * np.sin(2 * np.pi * hertz * np.arange(3 * RATE) / RATE)).astype(np.float32)
    frames = features.frames_of(tone, RATE)
    middle = len(frames.low) // 2
    powers = {name: float(getattr(frames, name)[middle]) for name in ("low", "mid", "high")}
    # Parseval: the mean square of a sine of amplitude 0.5 is 0.125.
    assert powers.pop(band) == pytest.approx(0.125, rel=0.03)
    assert max(powers.values()) < 1e-3
    assert frames.centroid_hz[middle] == pytest.approx(hertz, rel=0.02)


def test_attacks_are_counted_once_each():
    envelope = np.zeros(2_000, np.float32)
    envelope[[100, 500, 900]] = [1.0, 0.9, 1.1]
    envelope[[110, 1_500]] = [0.6, 0.1]  # an echo 15 ms later, and one too faint
    times = features.attack_times(envelope, 64 / RATE)
    assert np.round(times / (64 / RATE)).tolist() == [100, 500, 900]
    assert len(features.attack_times(np.zeros(2_000, np.float32), 64 / RATE)) == 0
    assert len(features.attack_times(np.zeros(1, np.float32), 64 / RATE)) == 0
    assert len(features.attack_times(np.ones(2_000, np.float32), 64 / RATE)) == 1


def test_the_last_bar_ends_with_the_audio():
    beats = np.linspace(0.0, 4.5, 10)
    edges = features.bar_edges(beats, np.array([0, 4, 8]), 4, 4.9)
    assert edges.tolist() == pytest.approx([0.0, 2.0, 4.0, 4.9])
    assert len(features.bar_edges(beats, np.array([], dtype=np.int64), 4, 4.9)) == 0


@pytest.fixture(scope="module")
def loud_half() -> tuple[features.Frames, np.ndarray, features.BarFeatures]:
    """Eight bars at 120 BPM: four of a faint high tone, then four with a strong 60 Hz pulse on each beat."""
    t = np.arange(16 * RATE) / RATE
    tone = 0.02 * np.sin(2 * np.pi * 3_000 * t)
    pulse = np.exp(-(t % 0.5) / 0.1) * np.sin(2 * np.pi * 60 * (t % 0.5))
    sound = (tone + np.where(t >= 8, 0.7 * pulse, 0)).astype(np.float32)
    frames, power = features.frames_of(sound, RATE), k_weighted_power(sound[:, None], RATE)
    bars = features.bar_features(frames, power, onset_bands(sound), np.linspace(0.0, 16.0, 9), 4)
    return frames, power, bars


def test_bar_figures_tell_the_halves_apart(loud_half):
    _, _, bars = loud_half
    assert len(bars) == 8
    assert np.all(bars.low_db[5:] > bars.low_db[:3].max() + 20)
    assert np.all(bars.kick[5:] > 0.7)
    assert np.all(bars.kick[:3] < 0.1)
    np.testing.assert_allclose(bars.high_db[:3], bars.high_db[0], atol=0.2)


def test_energy_is_higher_where_kick_and_level_are(loud_half):
    _, _, bars = loud_half
    energy = bar_energy(bars)
    assert energy.shape == (8,)
    assert energy.min() >= 0
    assert energy.max() <= 1
    assert energy[5:].min() > energy[:3].max() + 0.3


def test_silence_has_no_energy():
    silence = np.zeros(8 * RATE, np.float32)
    frames, power = features.frames_of(silence, RATE), k_weighted_power(silence[:, None], RATE)
    bars = features.bar_features(frames, power, onset_bands(silence), np.linspace(0.0, 8.0, 5), 4)
    assert not bar_energy(bars).any()
