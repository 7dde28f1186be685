"""Another copy laid on its track: found to the sample where it is the same, refused with the reason where not."""

from __future__ import annotations

from functools import cache
from io import BytesIO

import numpy as np
import pytest
import soundfile
import soxr

from analysis_worker.core.align import Alignment, Sound, align
from analysis_worker.core.audio import Audio
from analysis_worker.core.errors import AudioError
from analysis_worker.core.timeline import on_timeline
from fixtures.generate import TrackSpec, make_track
from fixtures.spec import Layout
from tests.core.sounds import RATE, encoded

LAYOUT: Layout = (("intro", 4), ("breakdown", 4), ("drop", 8), ("outro", 4))


@cache
def music(seed: int = 3) -> np.ndarray:
    """About 38 s of an invented track, shape (frames, 2)."""
    return make_track(TrackSpec(seed=seed, layout=LAYOUT, strongest_drop=1, tempo_bpm=126.5, key="G minor"))[0]


def sound(samples: np.ndarray) -> Sound:
    return Sound.of(Audio(samples.astype(np.float32), RATE))


def aligned(copy: np.ndarray, reference: np.ndarray | None = None) -> Alignment:
    return align(sound(music() if reference is None else reference), sound(copy))


def refused(copy: np.ndarray, reference: np.ndarray | None = None) -> str:
    with pytest.raises(AudioError) as refusal:
        aligned(copy, reference)
    return refusal.value.code


def later(samples: np.ndarray, frames: int) -> np.ndarray:
    """With so much silence before it."""
    return np.concatenate([np.zeros((frames, samples.shape[1]), np.float32), samples])


def test_the_same_samples_lie_at_zero() -> None:
    assert aligned(music()) == Alignment(0, 1.0, 0.0)


@pytest.mark.parametrize("frames", [1, 37, 1_105, 22_050, 5 * RATE + 7])
def test_silence_before_it_or_cut_away_is_found_to_the_sample(frames: int) -> None:
    assert aligned(later(music(), frames)).offset_frames == -frames
    assert aligned(music(), later(music(), frames)).offset_frames == frames


@pytest.mark.parametrize(
    ("container", "subtype", "least"),
    [("FLAC", "PCM_16", 0.99), ("OGG", "VORBIS", 0.9), ("MP3", "MPEG_LAYER_III", 0.9)],
)
def test_another_encode_lies_within_a_sample(container: str, subtype: str, least: float) -> None:
    decoded, rate = soundfile.read(BytesIO(encoded(music(), container, subtype)), dtype="float32")
    assert rate == RATE
    found = aligned(decoded)
    assert abs(found.offset_frames) <= 1
    assert found.agreement >= least
    assert abs(found.gain_db) < 0.5


@pytest.mark.parametrize("gain_db", [-12.0, -3.0, 6.0])
def test_level_and_polarity_do_not_matter(gain_db: float) -> None:
    found = aligned(later(-music() * 10 ** (gain_db / 20), 300))
    assert found.offset_frames == -300
    assert found.gain_db == pytest.approx(gain_db, abs=0.05)


def test_another_rate_and_a_mono_copy_are_the_same() -> None:
    away = soxr.resample(soxr.resample(music(), RATE, 48_000), 48_000, RATE)
    assert abs(aligned(away).offset_frames) <= 1
    assert aligned(music().mean(axis=1, keepdims=True)).offset_frames == 0


def test_a_limited_copy_with_noise_is_the_same() -> None:
    loud = np.tanh(2.5 * music()) + 0.002 * np.random.default_rng(1).standard_normal(music().shape)
    assert aligned(later(loud, 900)).offset_frames == -900


@pytest.mark.parametrize("percent", [-2.0, -0.1, 0.1, 1.0])
def test_another_speed_is_refused(percent: float) -> None:
    assert refused(soxr.resample(music(), RATE * (1 + percent / 100), RATE)) == "copy:other-speed"


def test_a_speed_that_drifts_by_a_few_milliseconds_is_refused() -> None:
    """100 millionths: 4 ms at the end of this short track, 60 ms after ten minutes."""
    assert refused(soxr.resample(music(), RATE * 1.0001, RATE)).startswith("copy:other-")


def test_another_track_is_refused() -> None:
    for seed in (4, 6):
        assert refused(music(seed)) == "copy:not-the-same"
    noise = np.random.default_rng(1).standard_normal(music().shape) * 0.1
    assert refused(noise) == "copy:not-the-same"


def test_another_edit_is_refused() -> None:
    track, bar = music(), round(4 * 60 / 126.5 * RATE)
    for edit in (
        np.concatenate([track[: 8 * bar], track[12 * bar :]]),
        np.concatenate([track[: 8 * bar], track[4 * bar :]]),
        track[: 16 * bar],
        track[2 * bar :],
        np.concatenate([track, track[4 * bar : 8 * bar]]),
    ):
        assert refused(edit) == "copy:other-edit"


def test_silence_at_the_ends_is_no_other_edit() -> None:
    padded = np.concatenate([music(), np.zeros((4 * RATE, 2), np.float32)])
    assert aligned(padded).offset_frames == aligned(music(), padded).offset_frames == 0


def test_sound_that_tells_no_place_is_refused() -> None:
    """A held tone is alike at every period; silence is alike nowhere."""
    time = np.arange(20 * RATE) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 440 * time)[:, None]
    assert refused(tone, tone) == "copy:unclear"
    assert refused(np.zeros((20 * RATE, 1))).startswith("copy:")
    clicks = np.zeros((20 * RATE, 1))
    clicks[:: RATE // 100] = 0.5
    assert refused(clicks, clicks) == "copy:unclear"


def test_a_loop_repeated_throughout_lies_where_its_ends_meet() -> None:
    """Every bar fits every other; only with both ends together does nothing audible stick out."""
    bar = round(4 * 60 / 126.5 * RATE)
    loop = np.tile(music()[9 * bar : 10 * bar], (16, 1))
    assert aligned(later(loop, 777), loop).offset_frames == -777


@pytest.mark.parametrize("offset", [-70_000, -5, 0, 5, 70_000])
@pytest.mark.parametrize("size", [64, 65_536])
def test_blocks_are_laid_on_the_timeline(offset: int, size: int) -> None:
    copy = np.arange(1, 200_001, dtype=np.float32)[:, None] * np.ones((1, 2), np.float32)
    for frames in (150_000, 200_000, 300_000):
        blocks = (copy[start : start + size] for start in range(0, len(copy), size))
        laid = np.concatenate(list(on_timeline(blocks, offset_frames=offset, frames=frames, channels=2)))
        wanted = np.zeros((frames, 2), np.float32)
        for start, source in ((max(offset, 0), max(-offset, 0)),):
            part = copy[source : source + frames - start]
            wanted[start : start + len(part)] = part
        assert np.array_equal(laid, wanted)
