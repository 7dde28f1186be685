"""The mono mix and its lower rates, and sound that is mapped from a file."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import soxr

from analysis_worker.core.audio import BLOCK_FRAMES, Audio
from analysis_worker.core.loudness import measure, measure_blocks
from analysis_worker.core.mix import lowered, mix_of, mono_mix


def test_the_mono_mix_is_the_mean_of_the_channels():
    left = np.linspace(-0.5, 0.5, 100_000, dtype=np.float32)
    stereo = np.column_stack([left, 0.5 * left])
    np.testing.assert_allclose(mono_mix(Audio(stereo, 44_100)), 0.75 * left, atol=1e-6)


def test_channels_that_cancel_do_not_vanish():
    left = np.sin(np.arange(100_000) / 20).astype(np.float32)
    wrong_way_round = np.column_stack([left, -left])
    np.testing.assert_array_equal(mono_mix(Audio(wrong_way_round, 44_100)), left)


def test_the_mono_mix_keeps_its_time_at_other_rates():
    click = np.zeros((96_000, 2), np.float32)
    click[48_000] = 1.0
    assert abs(int(np.argmax(mono_mix(Audio(click, 96_000)))) - 22_050) <= 1


def test_lower_rates_keep_their_time():
    click = np.zeros((3 * BLOCK_FRAMES + 5, 1), np.float32)
    click[BLOCK_FRAMES] = 1.0  # on the border of two blocks
    mix = mix_of(Audio(click, 44_100))
    assert [int(np.argmax(sound)) for sound in (mix.full, mix.half, mix.quarter)] == [
        BLOCK_FRAMES, BLOCK_FRAMES // 2, BLOCK_FRAMES // 4,
    ]  # fmt: skip


@pytest.mark.parametrize("factor", [2, 4])
def test_lowering_in_blocks_is_lowering_at_once(factor):
    sound = np.random.default_rng(1).normal(0, 0.1, 2 * BLOCK_FRAMES + 777).astype(np.float32)
    at_once = soxr.resample(sound, factor, 1, quality="HQ")
    low = lowered(sound, factor)
    assert len(low) == -(-len(sound) // factor)
    np.testing.assert_allclose(low[: len(at_once)], at_once[: len(low)], atol=1e-6)


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 4, 5, 100])
def test_very_short_sound_is_lowered_too(frames):
    assert len(lowered(np.ones(frames, np.float32), 4)) == -(-frames // 4)


def test_mapped_sound_gives_the_same_as_sound_in_memory(tmp_path: Path):
    sound = np.random.default_rng(2).normal(0, 0.1, (5 * BLOCK_FRAMES + 3, 2)).astype(np.float32)
    (tmp_path / "sound.f32").write_bytes(sound.tobytes())
    mapped = Audio(np.memmap(tmp_path / "sound.f32", dtype="<f4", mode="r", shape=sound.shape), 44_100)
    np.testing.assert_array_equal(np.concatenate([block.copy() for block in mapped.blocks()]), sound)
    np.testing.assert_array_equal(mono_mix(mapped), mono_mix(Audio(sound, 44_100)))
    there, here = measure_blocks(mapped.blocks(), 44_100, 2), measure(sound, 44_100)
    assert there.integrated_lufs == pytest.approx(here.integrated_lufs, abs=1e-9)
    assert there.true_peak_dbtp == here.true_peak_dbtp
    np.testing.assert_allclose(there.power, here.power, rtol=1e-9)


def test_blocks_of_any_length_measure_the_same():
    sound = np.random.default_rng(3).normal(0, 0.1, (50_000, 1)).astype(np.float32)
    whole = measure(sound, 44_100)
    cuts = [0, 0, 1, 7, 440, 441, 442, 20_000, 49_999, 50_000]
    pieces = measure_blocks((sound[a:b] for a, b in itertools.pairwise(cuts)), 44_100, 1)
    np.testing.assert_allclose(pieces.power, whole.power, rtol=1e-9)
    assert pieces.true_peak_dbtp == whole.true_peak_dbtp


def _resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="asks Linux what memory is held")
def test_reading_mapped_sound_holds_one_block_at_a_time(tmp_path: Path):
    frames = 8_000_000  # 64 MB
    with (tmp_path / "sound.f32").open("wb") as file:
        file.truncate(frames * 8)
    mapped = Audio(np.memmap(tmp_path / "sound.f32", dtype="<f4", mode="r", shape=(frames, 2)), 44_100)
    before, most = _resident_bytes(), 0
    for block in mapped.blocks():
        assert not block.any()
        most = max(most, _resident_bytes() - before)
    assert most < 16_000_000
