"""Onset strengths: when attacks are found, what they do not depend on, and sound without any."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core.onsets import HOP, LOWEST_TONE_HZ, SAMPLE_RATE, TONES, onset_bands
from analysis_worker.core.tempo import find_events
from tests.core import drums


def test_a_kick_is_found_at_its_first_sample_to_two_milliseconds() -> None:
    times_s = np.array([1.0, 1.7003, 2.4, 3.1009])
    bands = onset_bands(drums.place(drums.kick(), times_s, 4.0).astype(np.float32))
    events = find_events(bands)
    for band in range(3):
        found_s, strengths = events.of(band)
        strong = found_s[strengths > 0.4 * strengths.max()]
        assert strong == pytest.approx(times_s, abs=0.002)


def test_bands_answer_to_their_own_range() -> None:
    t = np.arange(2 * SAMPLE_RATE) / SAMPLE_RATE
    for hertz, own in ((60.0, "low_level"), (600.0, "mid_level"), (6_000.0, "high_level")):
        bands = onset_bands(np.sin(2 * np.pi * hertz * t).astype(np.float32))
        means = {
            name: float(getattr(bands, name)[200:-200].mean()) for name in ("low_level", "mid_level", "high_level")
        }
        assert max(means, key=lambda name: means[name]) == own
        assert means[own] == pytest.approx(np.sqrt(0.5), rel=0.1)  # RMS of a full-scale sine


def test_a_held_low_note_has_one_onset_not_one_a_cycle() -> None:
    sound = np.zeros(3 * SAMPLE_RATE, dtype=np.float32)
    t = np.arange(2 * SAMPLE_RATE) / SAMPLE_RATE
    sound[SAMPLE_RATE:] = 0.5 * np.sin(2 * np.pi * 45 * t)
    times_s, strengths = find_events(onset_bands(sound)).of(0)
    assert times_s[strengths > 0.2 * strengths.max()] == pytest.approx([1.0], abs=0.01)


def test_gain_changes_nothing() -> None:
    sound = drums.track(drums.even_beats(128, 0.2, 10), 10.0)
    one, other = onset_bands(sound), onset_bands(sound * np.float32(2))
    for name in ("low", "mid", "high", "tones"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name
    assert np.array_equal(2 * one.low_level, other.low_level)


def test_blocks_leave_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    sound = drums.track(drums.even_beats(128, 0.2, 8), 8.0)
    whole = onset_bands(sound)
    monkeypatch.setattr("analysis_worker.core.onsets._BLOCK", 1 << 16)
    pieces = onset_bands(sound)
    for name in ("low", "mid", "high", "low_level", "mid_level", "high_level", "tones"):
        assert getattr(pieces, name) == pytest.approx(getattr(whole, name), abs=1e-3), name


def test_tones_name_the_pitch_that_sounds() -> None:
    t = np.arange(2 * SAMPLE_RATE) / SAMPLE_RATE
    bands = onset_bands(np.sin(2 * np.pi * 440 * t).astype(np.float32))
    assert bands.tones.shape == (-(-len(t) // 2_048), TONES)
    # Twelve semitones an octave, A4 = 440 Hz (ISO 16): three octaves above A1.
    assert LOWEST_TONE_HZ == 440 / 8
    assert set(bands.tones[4:-4].argmax(axis=1)) == {36}


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(0),
        np.zeros(1),
        np.zeros(SAMPLE_RATE * 5),
        np.full(SAMPLE_RATE * 5, np.nan),
        np.full(SAMPLE_RATE, np.inf),
        np.random.default_rng(0).standard_normal(SAMPLE_RATE) * 1e-9,
    ],
    ids=["nothing", "one sample", "silence", "not numbers", "infinite", "below 16 bits"],
)
def test_silence_and_nonsense_have_no_onsets(sound: np.ndarray) -> None:
    bands = onset_bands(sound.astype(np.float32))
    assert len(bands) == -(-len(sound) // HOP)
    assert not bands.low.any()
    assert not bands.mid.any()
    assert not bands.high.any()
    assert len(find_events(bands).times_s) == 0
