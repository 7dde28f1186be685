"""Loudness and true peak against the standards' own test signals and against two other implementations.

Signals and tolerances: EBU Tech 3341 (2016), table 1, cases 1-5 (loudness) and 15-19 (true peak). Filter coefficients:
ITU-R BS.1770, Annex 1, tables 1 and 2.
"""

from __future__ import annotations

import numpy as np
import pyebur128
import pyloudnorm
import pytest

from analysis_worker.core import loudness

RATES = (8_000, 22_050, 44_100, 48_000, 96_000, 192_000)


def sine(
    parts: list[tuple[float, float]], *, rate: int = 48_000, hertz: float = 1_000.0, channels: int = 2
) -> np.ndarray:
    """A sine that goes through (peak level in dBFS, seconds) one after another, in phase in all channels."""
    gains = np.concatenate([np.full(round(length * rate), 10 ** (level / 20)) for level, length in parts])
    wave = gains * np.sin(2 * np.pi * hertz * np.arange(len(gains)) / rate)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


TECH_3341 = [
    pytest.param([(-23, 20)], -23.0, id="1"),
    pytest.param([(-33, 20)], -33.0, id="2"),
    pytest.param([(-36, 10), (-23, 60), (-36, 10)], -23.0, id="3"),
    pytest.param([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0, id="4"),
    pytest.param([(-26, 20), (-20, 20.1), (-26, 20)], -23.0, id="5"),
]


@pytest.mark.parametrize(("parts", "expected"), TECH_3341)
def test_tech_3341_loudness_cases(parts, expected):
    measured = loudness.measure(sine(parts), 48_000).integrated_lufs
    assert measured == pytest.approx(expected, abs=0.1)


def test_filters_at_48_khz_are_those_of_the_standard():
    shelf_b, shelf_a = [1.53512485958697, -2.69169618940638, 1.19839281085285], [1, -1.69065929318241, 0.73248077421585]
    pass_b, pass_a = [1.0, -2.0, 1.0], [1, -1.99004745483398, 0.99007225036621]
    b, a = loudness.k_weighting(48_000)
    np.testing.assert_allclose(b, np.convolve(shelf_b, pass_b), atol=1e-9)
    np.testing.assert_allclose(a, np.convolve(shelf_a, pass_a), atol=1e-9)


@pytest.mark.parametrize("rate", RATES)
def test_a_full_scale_sine_in_one_channel_reads_minus_3_01_at_every_rate(rate):
    # BS.1770 Annex 1: "a 0 dB FS 997 Hz sine wave applied to the left, centre or right channel reads -3.01 LKFS".
    measured = loudness.measure(sine([(0, 3)], rate=rate, hertz=997.0, channels=1), rate).integrated_lufs
    # The standard fixes the filters at 48 kHz alone; at other rates the bilinear transform bends the shelf a little.
    assert measured == pytest.approx(-3.01, abs=0.01 if rate == 48_000 else 0.05 if rate > 8_000 else 0.1)


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000])
def test_agrees_with_two_other_implementations_on_uneven_noise(rate):
    rng = np.random.default_rng(7)
    envelope = 10 ** (np.interp(np.arange(12 * rate) / rate, [0, 3, 4, 8, 12], [-50, -12, -3, -20, -9]) / 20)
    noise = (0.2 * envelope[:, None] * rng.standard_normal((12 * rate, 2))).astype(np.float32)
    ours = loudness.measure(noise, rate).integrated_lufs
    assert ours == pytest.approx(pyebur128.get_loudness_global(_state(noise, rate)), abs=0.05)
    assert ours == pytest.approx(pyloudnorm.Meter(rate).integrated_loudness(noise.astype(np.float64)), abs=0.15)


def _state(samples: np.ndarray, rate: int) -> pyebur128.R128State:
    state = pyebur128.R128State(samples.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(samples.astype(np.float64).ravel(), len(samples))
    return state


def test_surround_channels_count_more_and_low_effects_not_at_all():
    # BS.1770 Annex 1, table 3: 1.41 (about +1.5 dB) for surrounds; the low-effects channel is left out.
    silent = np.zeros((48_000 * 3, 6), np.float32)
    tone = sine([(-20, 3)], channels=1)[:, 0]
    readings = []
    for channel in (0, 3, 4):
        samples = silent.copy()
        samples[:, channel] = tone
        readings.append(loudness.measure(samples, 48_000).integrated_lufs)
    assert readings[1] is None
    assert readings[0] is not None
    assert readings[2] is not None
    assert readings[2] - readings[0] == pytest.approx(10 * np.log10(1.41), abs=0.01)


TRUE_PEAKS = [
    (4, 0.50, 0.0, -6.0),
    (4, 0.50, 45.0, -6.0),
    (6, 0.50, 60.0, -6.0),
    (8, 0.50, 67.5, -6.0),
    (4, 1.41, 45.0, 3.0),
]


@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "expected"), TRUE_PEAKS, ids=["15", "16", "17", "18", "19"]
)
def test_tech_3341_true_peak_cases(divisor, amplitude, degrees, expected):
    frames = 48_000
    wave = amplitude * np.sin(2 * np.pi * np.arange(frames) / divisor + np.deg2rad(degrees))
    fade = np.minimum(1, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 480)
    peak = loudness.true_peak((wave * fade).astype(np.float32)[:, None], 48_000)
    assert expected - 0.4 <= peak <= expected + 0.2


def test_true_peak_finds_a_peak_that_lies_between_two_blocks():
    edge = loudness._FRAMES_AT_ONCE
    samples = np.zeros((edge + 500, 1), np.float32)
    samples[edge - 1 : edge + 1] = 0.5
    moved = np.zeros((2_000, 1), np.float32)
    moved[999:1001] = 0.5
    assert loudness.true_peak(samples, 44_100) == pytest.approx(loudness.true_peak(moved, 44_100), abs=1e-6)
    assert loudness.true_peak(samples, 44_100) > 20 * np.log10(0.5) + 1.0


def test_silence_and_sounds_shorter_than_a_block_have_no_loudness():
    assert loudness.measure(np.zeros((48_000, 2), np.float32), 48_000).integrated_lufs is None
    assert loudness.measure(np.zeros((48_000, 2), np.float32), 48_000).true_peak_dbtp is None
    assert loudness.measure(sine([(-20, 0.3)]), 48_000).integrated_lufs is None
    assert loudness.measure(np.zeros((0, 2), np.float32), 48_000).true_peak_dbtp is None


def test_gain_moves_loudness_and_peak_alike():
    samples = sine([(-30, 2), (-20, 2)])
    quiet, loud = loudness.measure(samples, 48_000), loudness.measure(samples * np.float32(2), 48_000)
    for before, after in (
        (quiet.integrated_lufs, loud.integrated_lufs),
        (quiet.true_peak_dbtp, loud.true_peak_dbtp),
    ):
        assert before is not None
        assert after is not None
        assert after - before == pytest.approx(6.0206, abs=1e-3)
