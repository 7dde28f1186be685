"""Measures taken on the audio itself, by other means than the analysis uses.

Levels: pyloudnorm (ITU-R BS.1770-4). Seams: log-mel spectra by librosa.
"""

from __future__ import annotations

from pathlib import Path

import librosa
import numpy as np
import pyloudnorm
import soundfile
from numpy.typing import NDArray

from fixtures.generate import Truth

_DROP_BARS = 16
_RATE, _HOP, _BEFORE_S = 22_050, 512, 0.25
"""A quarter of a second on each side of a seam (design, section 7)."""


def drop_levels(path: Path, truth: Truth) -> tuple[float, ...] | None:
    """Integrated loudness (LUFS) of the first 16 bars of each drop; None where there are fewer than two."""
    if len(truth.drops_s) < 2:
        return None
    levels = []
    length_s = _DROP_BARS * truth.beats_per_bar * 60 / truth.tempo_bpm
    with soundfile.SoundFile(path) as audio:
        meter = pyloudnorm.Meter(audio.samplerate)
        for start_s, part in ((part.start_s, part) for part in truth.sections if part.role == "drop"):
            audio.seek(round(start_s * audio.samplerate))
            frames = round(min(length_s, part.end_s - start_s) * audio.samplerate)
            levels.append(float(meter.integrated_loudness(audio.read(frames))))
    return tuple(levels)


def seam_is_natural(path: Path, loop_s: tuple[float, float], downbeats_s: NDArray[np.float64]) -> bool:
    """Whether the step at a loop's seam is no larger than the 90th percentile of the steps at the track's bar lines.

    The step at a join is the distance of the mean log-mel spectra of the quarter second before and the one after it.
    """
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    mono = librosa.resample(samples.mean(axis=1), orig_sr=rate, target_sr=_RATE, res_type="soxr_lq")
    mel = librosa.feature.melspectrogram(y=mono, sr=_RATE, hop_length=_HOP, n_mels=40)
    logs = librosa.power_to_db(mel, top_db=60.0)
    width = round(_BEFORE_S * _RATE / _HOP)

    def step(end_s: float, start_s: float) -> float:
        end, start = round(end_s * _RATE / _HOP), round(start_s * _RATE / _HOP)
        before, after = logs[:, max(0, end - width) : end], logs[:, start : start + width]
        return float(np.sqrt(np.mean((before.mean(axis=1) - after.mean(axis=1)) ** 2)))

    inner = downbeats_s[(downbeats_s > 2 * _BEFORE_S) & (downbeats_s < len(mono) / _RATE - 2 * _BEFORE_S)]
    natural = [step(time_s, time_s) for time_s in inner]
    start_s, end_s = loop_s
    return step(end_s, start_s) <= float(np.percentile(natural, 90))
