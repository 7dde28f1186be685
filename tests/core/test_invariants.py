"""What must hold for any sound at all.

Hypothesis makes the sounds. Pulse trains have a period of their own, so that tempo and times can be compared.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis_worker.core.audio import Audio
from analysis_worker.core.convention import ConventionRules
from analysis_worker.core.draft import draft_sheet
from analysis_worker.core.pipeline import analyse
from analysis_worker.core.results import TrackAnalysis
from tests.core import drums

ROOT = Path(__file__).parents[2]
RULES = ConventionRules.from_document(json.loads((ROOT / "fixtures/convention/eight.json").read_text()))
SCHEMA = json.loads((ROOT / "analysis_worker/core/schemas/analysis.schema.json").read_text())
SOME = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
FEW = settings(SOME, max_examples=5)

rates = st.sampled_from([8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000])
channels = st.integers(1, 3)


def pulses(bpm: float, seconds: float, rate: int, count: int = 1, *, start_s: float = 0.2, seed: int = 0) -> np.ndarray:
    """A kick on every beat, louder on every fourth, over faint noise; shape (frames, count)."""
    frames = int(seconds * rate)
    t = np.arange(int(0.2 * rate)) / rate
    kick = np.sin(2 * np.pi * (55 * t + 4 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.06)
    sound = 1e-4 * np.random.default_rng(seed).standard_normal(frames)
    for beat, time_s in enumerate(np.arange(start_s, seconds - 0.25, 60 / bpm)):
        first = round(time_s * rate)
        sound[first : first + len(kick)] += (0.6 if beat % 4 == 0 else 0.45) * kick
    return np.repeat(sound[:, None], count, axis=1).astype(np.float32)


def check(audio: Audio) -> TrackAnalysis:
    """Analyse, draft, and hold the answer against everything that is promised of it."""
    analysis = analyse(audio)
    document = analysis.to_document()
    schema = {**SCHEMA, "required": [name for name in SCHEMA["required"] if name != "decode"]}
    jsonschema.validate(document, schema, jsonschema.Draft202012Validator)
    json.dumps(document, allow_nan=False)
    duration = analysis.duration_us
    assert all(0 <= time < duration for time in analysis.beats_us)
    assert list(analysis.beats_us) == sorted(set(analysis.beats_us))
    assert set(analysis.phrases_us) <= set(analysis.downbeats_us) <= set(analysis.beats_us)
    assert len(analysis.energy) == (len(analysis.downbeats_us) if len(analysis.beats_us) > 1 else 0)
    for before, section in pairwise(analysis.sections):
        assert before.end_us == section.start_us
    draft = draft_sheet(analysis, RULES)
    assert len(draft.markers) + len(draft.empty) == len(RULES.slots)
    assert all(0 <= marker.start_us < duration for marker in draft.markers)
    assert all(marker.end_us is None or marker.start_us < marker.end_us <= duration for marker in draft.markers)
    return analysis


@SOME
@given(rate=rates, width=channels, seconds=st.floats(1.0, 12.0))
def test_silence_has_no_facts_and_never_fails(rate, width, seconds):
    analysis = check(Audio(np.zeros((int(seconds * rate), width), np.float32), rate))
    assert analysis.tempo_bpm is None
    assert analysis.key is None
    assert analysis.loudness_lufs is None
    assert analysis.true_peak_dbtp is None
    assert analysis.sections == ()


@SOME
@given(rate=rates, width=channels, place=st.floats(0.0, 0.999), seconds=st.floats(1.0, 12.0))
def test_one_click_never_fails(rate, width, place, seconds):
    samples = np.zeros((int(seconds * rate), width), np.float32)
    samples[int(place * len(samples))] = 0.9
    analysis = check(Audio(samples, rate))
    assert analysis.drops == ()


@SOME
@given(rate=rates, width=channels, level=st.floats(-1.0, 1.0, width=32))
def test_a_constant_never_fails(rate, width, level):
    analysis = check(Audio(np.full((3 * rate, width), level, np.float32), rate))
    assert analysis.key is None
    assert analysis.drops == ()


@SOME
@given(rate=rates, width=channels, seed=st.integers(0, 1_000), level=st.sampled_from([1e-6, 0.01, 0.3, 1.0]))
def test_one_second_of_noise_never_fails(rate, width, seed, level):
    noise = np.random.default_rng(seed).uniform(-level, level, (rate, width)).astype(np.float32)
    check(Audio(noise, rate))


@SOME
@given(rate=rates, width=channels, bpm=st.floats(60, 200), seconds=st.floats(3.0, 40.0))
def test_pulses_at_any_rate_never_fail(rate, width, bpm, seconds):
    check(Audio(pulses(bpm, seconds, rate, width), rate))


def test_half_an_hour_never_fails():
    samples = np.tile(pulses(120.0, 60.0, 8_000, start_s=0.0), (30, 1))
    analysis = check(Audio(samples, 8_000))
    assert analysis.duration_us == 1_800_000_000
    assert analysis.tempo_bpm in (pytest.approx(120.0, abs=0.01), pytest.approx(60.0, abs=0.01))


@FEW
@given(bpm=st.floats(90, 170), seed=st.integers(0, 100), factor=st.sampled_from([0.25, 0.5, 2.0]))
def test_gain_changes_no_grid(bpm, seed, factor):
    samples = np.float32(0.4) * pulses(bpm, 20.0, 44_100, seed=seed)
    plain = analyse(Audio(samples.astype(np.float32), 44_100))
    scaled = analyse(Audio((samples * np.float32(factor)).astype(np.float32), 44_100))
    # A power of two changes no digit of a float, so nothing may move but rounding inside the filters.
    assert scaled.tempo_bpm == pytest.approx(plain.tempo_bpm, abs=1e-3)
    assert len(scaled.beats_us) == len(plain.beats_us)
    assert np.max(np.abs(np.subtract(scaled.beats_us, plain.beats_us)), initial=0) <= 100
    assert [section.role for section in scaled.sections] == [section.role for section in plain.sections]


@FEW
@given(bpm=st.floats(90, 170), delay=st.integers(1, 3 * 44_100))
def test_a_delay_shifts_all_times_by_itself(bpm, delay):
    """Within 3 ms: onset steps are 1.45 ms long, and a delay need not be a whole number of them.

    On drums, bass and chords; what octave twenty seconds of bare kicks have is open, and may be read either way.
    """
    samples = (0.5 * drums.track(drums.even_beats(bpm, 0.2, 20.0), 20.0)).astype(np.float32)[:, None]
    delayed = np.concatenate([1e-4 * np.random.default_rng(9).standard_normal((delay, 1)).astype(np.float32), samples])
    plain, later = analyse(Audio(samples, 44_100)), analyse(Audio(delayed, 44_100))
    # One reading may be the whole or half number that lies 0.02 BPM away, and the other just not.
    assert later.tempo_bpm == pytest.approx(plain.tempo_bpm, abs=0.02 + 0.02)
    shift_us = delay * 1_000_000 / 44_100
    expected = np.array(plain.beats_us) + shift_us
    found = np.array(later.beats_us)
    # The grid reaches back into the added lead, so the later one may have more beats; each old one must be there.
    nearest = found[np.argmin(np.abs(found[None] - expected[:, None]), axis=1)]
    assert np.max(np.abs(nearest - expected)) <= 3_000
