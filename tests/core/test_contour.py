"""The contour and its stored form: what is drawn, with a grid and without, and bytes that others can read."""

from __future__ import annotations

import base64
import struct

import numpy as np
import pytest

from analysis_worker.core import contour_form
from analysis_worker.core.contour import draw_contour
from analysis_worker.core.features import frames_of
from analysis_worker.core.loudness import k_weighted_power
from analysis_worker.core.onsets import onset_bands
from analysis_worker.core.results import Contour

RATE = 44_100


def contour_of(sound: np.ndarray, beats_s: np.ndarray) -> Contour:
    sound = sound.astype(np.float32)
    power = k_weighted_power(sound[:, None], RATE)
    return draw_contour(frames_of(sound, RATE), power, onset_bands(sound), beats_s, len(sound) / RATE)


@pytest.fixture(scope="module")
def pulses() -> np.ndarray:
    """16 s at 120 BPM: 8 s of a faint high tone, then on top a strong 60 Hz pulse on each beat."""
    t = np.arange(16 * RATE) / RATE
    pulse = np.exp(-(t % 0.5) / 0.1) * np.sin(2 * np.pi * 60 * (t % 0.5))
    return 0.02 * np.sin(2 * np.pi * 3_000 * t) + np.where(t >= 8, 0.7 * pulse, 0)


def test_sixteen_steps_a_beat_show_the_pulse(pulses):
    contour = contour_of(pulses, np.linspace(0.0, 16.0, 33))
    assert contour.steps_per_beat == 16
    low, loudness, onsets = (
        np.array(values).reshape(32, 16) for values in (contour.low, contour.loudness, contour.onsets)
    )
    assert low[:14].max() == 0
    assert np.all(low[18:31, 2] > low[18:31, 13] + 20)
    assert low.max() == loudness.max() == onsets.max() == 255
    assert np.all(np.argmax(onsets[17:31], axis=1) == 0)
    assert np.all(onsets[17:31, 4:] < 60)


@pytest.mark.parametrize("off_s", [-0.004, 0.004])
def test_an_attack_keeps_its_step_where_the_grid_is_a_little_off(pulses, off_s):
    onsets = np.array(contour_of(pulses, np.linspace(0.0, 16.0, 33)[1:] + off_s).onsets).reshape(31, 16)
    assert np.all(np.argmax(onsets[16:30], axis=1) == 0)


@pytest.mark.parametrize("beats_s", [np.zeros(0), np.array([0.3])])
def test_without_a_grid_a_second_stands_for_a_beat(pulses, beats_s):
    contour = contour_of(pulses[: int(12.25 * RATE)], beats_s)
    assert len(contour.loudness) == len(contour.low) == len(contour.onsets) == 16 * 13
    low = np.array(contour.low).reshape(13, 16)
    assert low[:7].max() == 0
    assert low[9:12].max() > 200


def test_silence_is_drawn_flat():
    contour = contour_of(np.zeros(3 * RATE), np.linspace(0.0, 2.5, 6))
    assert {*contour.loudness, *contour.low, *contour.onsets} == {0}


def test_the_stored_form_is_as_documented():
    contour = Contour(2, (1, 2, 3, 4), (5, 6, 7, 8), (0, 255, 0, 9))
    data = base64.b64decode(contour.to_facts())
    assert data[:4] == b"CPCT"
    assert struct.unpack("<BBHI", data[4:12]) == (1, 3, 2, 2)
    assert list(data[12:]) == [1, 2, 3, 4, 5, 6, 7, 8, 0, 255, 0, 9]
    assert Contour.from_facts(contour.to_facts()) == contour


def test_ten_minutes_fit_in_82_kilobytes_of_text():
    beats = 1_280
    assert len(Contour(16, *((7,) * beats * 16 for _ in range(3))).to_facts()) == 4 * -(-(12 + beats * 48) // 3)


def test_facts_of_the_first_engine_are_read():
    old = {"steps_per_beat": 4, "loudness": [1, 2, 3, 4], "low": [5, 6, 7, 8]}
    assert Contour.from_facts(old) == Contour(4, (1, 2, 3, 4), (5, 6, 7, 8), ())
    assert Contour.from_facts({"steps_per_beat": 4, "loudness": [], "low": []}) == Contour(4, (), ())


def test_series_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="whole beats"):
        contour_form.pack(16, ((0,) * 16, (0,) * 32))
    with pytest.raises(ValueError, match="whole beats"):
        contour_form.pack(16, ((0,) * 15,))


@pytest.mark.parametrize("text", ["", "@", "AAAA", base64.b64encode(b"CPCT" + bytes(8) + b"x").decode()])
def test_what_is_no_contour_is_refused(text):
    with pytest.raises(ValueError, match="contour"):
        contour_form.unpack(text)


def test_every_byte_cut_off_is_noticed():
    text = Contour(4, (1,) * 8, (2,) * 8, (3,) * 8).to_facts()
    whole = base64.b64decode(text)
    for length in range(len(whole)):
        with pytest.raises(ValueError, match="contour"):
            contour_form.unpack(base64.b64encode(whole[:length]).decode())
