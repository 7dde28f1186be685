"""Key: chords of known keys, published profiles, spelling by the circle of fifths."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from analysis_worker.core import key

RATE = 22_050


def chords(pitches: list[tuple[int, ...]], *, cents: float = 0.0, seconds: float = 1.0) -> np.ndarray:
    """Chords of MIDI pitches one after another, six harmonics each, each with its lowest note an octave below."""
    t = np.arange(int(seconds * RATE)) / RATE
    parts = []
    for chord in pitches:
        wave = np.zeros(len(t))
        for pitch in (*chord, min(chord) - 12):
            hertz = 440 * 2 ** ((pitch - 69 + cents / 100) / 12)
            wave += sum(np.sin(2 * np.pi * hertz * n * t) / n**1.5 for n in range(1, 7))
        parts.append(wave * np.minimum(1, np.minimum(t, t[::-1]) / 0.02))
    return (0.05 * np.concatenate(parts)).astype(np.float32)


def cadence(tonic: int, mode: str) -> list[tuple[int, ...]]:
    """I IV V I, or i iv V i with its leading note as minor keys have it (any harmony primer)."""
    third = 4 if mode == "major" else 3
    one = (tonic, tonic + third, tonic + 7)
    four = (tonic + 5, tonic + 5 + third, tonic + 12)
    five = (tonic + 7, tonic + 11, tonic + 14)
    return [one, four, five, one]


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("pitch_class", range(12))
def test_names_the_key_of_a_cadence(pitch_class, mode):
    found = key.estimate_key(key.chroma_of(chords(cadence(48 + pitch_class, mode)), RATE))
    names = key.MAJOR_NAMES if mode == "major" else key.MINOR_NAMES
    assert found is not None
    assert found.name == f"{names[pitch_class]} {mode}"
    assert found.runner_up != found.name
    assert 0 < found.confidence <= 1


def test_a_recording_tuned_off_440_keeps_its_key():
    for cents in (-30, 30):
        found = key.estimate_key(key.chroma_of(chords(cadence(50, "minor"), cents=cents), RATE))
        assert found is not None
        assert found.name == "D minor"


def test_signatures_have_at_most_six_accidentals():
    # Circle of fifths: each step adds a sharp; majors count from C, minors from A.
    for names, home in ((key.MAJOR_NAMES, 0), (key.MINOR_NAMES, 9)):
        for pitch_class, name in enumerate(names):
            sharps = (pitch_class - home) * 7 % 12
            letter = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[name[0]]
            assert (letter + name.count("#") - name.count("b")) % 12 == pitch_class
            if sharps < 6 and name.endswith("b"):
                pytest.fail(f"{name} has fewer accidentals as a sharp key")
            if sharps > 6 and name.endswith("#"):
                pytest.fail(f"{name} has fewer accidentals as a flat key")


def test_a_profile_finds_itself():
    # Krumhansl & Kessler's own ratings for C minor must read as C minor.
    found = key.key_of_profile(np.array(key._KRUMHANSL_KESSLER[1]))
    assert found is not None
    assert found.name == "C minor"
    # Table of Krumhansl & Kessler 1982: the tonic and its fifth are rated highest in both modes.
    assert [int(np.argmax(profile)) for profile in key._KRUMHANSL_KESSLER] == [0, 0]


def test_chroma_filters_are_those_of_librosa():
    frequencies = np.fft.rfftfreq(4096, 1 / 11_025)[1:1_000]
    ours = key.chroma_filters(frequencies, 0.2)
    theirs = librosa.filters.chroma(sr=11_025, n_fft=4096, tuning=0.2, ctroct=5, octwidth=2)[:, 1:1_000].T
    # The height over octaves is our choice, so the rows are compared by their shape. Low bins are wider than a bump.
    for row in range(200, 999, 50):
        assert np.corrcoef(ours[row], theirs[row])[0, 1] > 0.999


@pytest.mark.parametrize(
    "samples",
    [np.zeros(RATE, np.float32), np.zeros(0, np.float32), np.full(RATE, 0.3, np.float32)],
    ids=["silence", "nothing", "constant"],
)
def test_what_has_no_pitch_has_no_key(samples):
    assert key.estimate_key(key.chroma_of(samples, RATE)) is None


def test_noise_is_not_surely_in_a_key():
    noise = 0.1 * np.random.default_rng(3).standard_normal(10 * RATE).astype(np.float32)
    found = key.estimate_key(key.chroma_of(noise, RATE))
    assert found is None or found.confidence < 0.4
