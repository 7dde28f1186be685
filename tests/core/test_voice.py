"""Likely vocals: singers and talkers over backing that repeats, leads that might pass for them, and neither."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from analysis_worker.core import residual, voice
from fixtures import corpus
from tests.core.voices import RATE, backing, singing, solo

BAR_S = 1.9
BARS = 24
EDGES_S = np.arange(BARS + 1, dtype=np.float64) * BAR_S


def mixed(part: np.ndarray, first_bar: int, level: float = 1.0, *, seed: int = 901, drums: bool = True) -> np.ndarray:
    """A backing of 24 bars with a part over it from a bar on."""
    sound = backing(BARS, BAR_S, seed=seed, drums=drums)
    start = round(first_bar * BAR_S * RATE)
    sound[start : start + len(part)] += np.float32(level) * part[: len(sound) - start]
    return sound


def found_in(sound: np.ndarray) -> list[tuple[float, float]]:
    regions = voice.find_voice(sound, RATE, EDGES_S, 4)
    assert all(0 <= region.confidence <= 1 for region in regions)
    return [(region.start_us / 1e6 / BAR_S, region.end_us / 1e6 / BAR_S) for region in regions]


@pytest.mark.parametrize("spoken", [False, True], ids=["sung", "spoken"])
@pytest.mark.parametrize("seed", [911, 912, 913])
def test_finds_eight_bars_of_voice(seed, spoken):
    regions = found_in(mixed(singing(8 * BAR_S, seed=seed, spoken=spoken), 8, seed=seed))
    assert len(regions) == 1
    assert regions[0][0] == pytest.approx(8, abs=1.01)
    assert regions[0][1] == pytest.approx(16, abs=1.01)


def test_finds_a_voice_over_chords_alone():
    regions = found_in(mixed(singing(4 * BAR_S, seed=921, base=64), 4, drums=False))
    assert len(regions) == 1
    assert regions[0][0] == pytest.approx(4, abs=1.01)
    assert regions[0][1] == pytest.approx(8, abs=1.01)


TRAPS = {
    "solo": {},
    "solo with vibrato": {"vibrato": 0.3},
    "solo with glides": {"glide_s": 0.05},
}


@pytest.mark.parametrize("trap", TRAPS)
def test_a_lead_that_improvises_is_no_voice(trap):
    lead = solo(8 * BAR_S, BAR_S / 8, seed=931, **TRAPS[trap])
    assert found_in(mixed(lead, 8)) == []


def test_a_rising_noise_and_fills_are_no_voice():
    rng = np.random.default_rng(941)
    frames = round(8 * BAR_S * RATE)
    noise = 0.1 * rng.standard_normal(frames) * np.linspace(0, 1, frames) ** 2
    for at in rng.uniform(0, 8 * BAR_S - 0.2, 30):
        start = int(at * RATE)
        noise[start : start + 4_000] += 0.3 * rng.standard_normal(4_000) * np.exp(-np.arange(4_000) / 900)
    assert found_in(mixed(noise.astype(np.float32), 8)) == []


def test_backing_alone_and_silence_have_no_voice():
    assert found_in(backing(BARS, BAR_S, seed=951)) == []
    assert found_in(np.zeros(round(BARS * BAR_S * RATE), np.float32)) == []


def test_without_bars_nothing_is_said():
    sound = singing(6.0, seed=961)
    assert voice.find_voice(sound, RATE, np.zeros(0), 4) == ()
    assert voice.find_voice(sound, RATE, np.array([0.0, 2.0, 4.0]), 4) == ()
    assert voice.find_voice(np.zeros(0, np.float32), RATE, np.zeros(0), 4) == ()


def test_the_residual_is_what_repeats_in_no_other_bar():
    bar = np.random.default_rng(971).standard_normal(round(BAR_S * RATE)).astype(np.float32)
    sound = np.tile(0.1 * bar, 8)
    t = np.arange(round(BAR_S * RATE)) / RATE
    sound[3 * len(bar) : 4 * len(bar)] += (0.5 * np.sin(2 * np.pi * 880 * t)).astype(np.float32)
    edges_s = np.arange(9, dtype=np.float64) * (len(bar) / RATE)
    cues = residual.frame_cues(residual.spectra_of(sound, RATE), edges_s)
    assert cues is not None
    at = (np.arange(len(cues.share)) * residual.HOP_S / (len(bar) / RATE)).astype(int)
    inside = [float(np.median(cues.share[at == number])) for number in range(8)]
    assert inside[3] > 0.3
    assert max(inside[:3] + inside[4:]) < 0.02


def test_pitch_that_slides_is_measured_in_semitones():
    # A tone with overtones that rises by 4 semitones a second: 0.28 semitones in the 70 ms between matched frames.
    t = np.arange(2 * RATE) / RATE
    phase = 2 * np.pi * np.cumsum(300 * 2 ** (4 * t / 12)) / RATE
    tone = np.sum([np.sin(n * phase) / n for n in range(1, 10)], axis=0)
    sound = np.concatenate([np.zeros(2 * RATE), 0.1 * tone, np.zeros(8 * RATE)]).astype(np.float32)
    cues = residual.frame_cues(residual.spectra_of(sound, RATE), np.arange(7, dtype=np.float64) * 2.0)
    assert cues is not None
    inside = slice(int(2.3 / residual.HOP_S), int(3.7 / residual.HOP_S))
    assert float(np.median(cues.shift[inside])) == pytest.approx(4 * 3 * residual.HOP_S, abs=0.05)
    assert float(np.median(cues.fit[inside])) > 0.6


def test_regions_are_the_best_path():
    odds = np.array([-3, -3, 2, 2, -0.5, 2, 2, -3, -3, 1.5, -3, -3.0])
    # One doubtful bar inside does not part a region, one likely bar alone does not make one.
    assert voice.regions_of(odds) == [(2, 7)]
    assert voice.regions_of(np.full(5, 3.0)) == [(0, 5)]
    assert voice.regions_of(np.full(5, -3.0)) == []


@pytest.mark.parametrize("name", ["dali.xm", "slice_me_nice.xm", "area3-game.mod"])
def test_music_without_a_voice_has_none(name):
    track = next((track for track in corpus.tracks() if track.name == name), None)
    if track is None:
        pytest.skip("make corpus has not been run")
    samples, rate = soundfile.read(track.path, dtype="float32", always_2d=True)
    assert voice.find_voice(samples.mean(axis=1), rate, track.truth.downbeats_s, 4) == ()
