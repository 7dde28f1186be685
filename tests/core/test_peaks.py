"""Peaks hold every sample of every channel, in blocks of any size, at each scale; sizes as the form says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis_worker.core.peaks import LEVELS, PeaksWriter, read_peaks


def written(samples: np.ndarray, cuts: list[int]) -> bytes:
    writer = PeaksWriter()
    for block in np.split(samples, sorted(cuts)):
        writer.write(block)
    return writer.document(44_100)


@given(st.integers(0, 20_000), st.lists(st.integers(0, 20_000), max_size=6), st.integers(0, 99))
def test_pairs_are_the_rounded_extremes_however_the_blocks_fall(frames, cuts, seed):
    samples = np.random.default_rng(seed).uniform(-1.2, 1.2, (frames, 2)).astype(np.float32)
    document = written(samples, [min(cut, frames) for cut in cuts])
    assert document == written(samples, [])
    rate, count, levels = read_peaks(document)
    assert (rate, count, tuple(levels)) == (44_100, frames, LEVELS)
    for width, pairs in levels.items():
        assert len(pairs) == -(-frames // width)
        for number in {0, len(pairs) // 2, len(pairs) - 1} if len(pairs) else ():
            part = np.clip(samples[number * width : (number + 1) * width] * np.float32(127), -127, 127)
            assert pairs[number].tolist() == [np.floor(part.min()), np.ceil(part.max())]


def test_a_single_full_scale_sample_shows_at_every_scale():
    samples = np.zeros((50_000, 1), dtype=np.float32)
    samples[40_000] = 1.0
    _, _, levels = read_peaks(written(samples, []))
    for width, pairs in levels.items():
        assert np.flatnonzero(pairs[:, 1]).tolist() == [40_000 // width]
        assert pairs[40_000 // width].tolist() == [0, 127]


@pytest.mark.parametrize("document", [b"", b"CPPK", b"CPCT" + bytes(64), b"CPPK\x02" + bytes(63)])
def test_other_bytes_are_no_peaks(document):
    with pytest.raises(ValueError, match="peaks"):
        read_peaks(document)
