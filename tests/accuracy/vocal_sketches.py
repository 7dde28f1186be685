"""Short pieces with and without a voice, for fitting where a track is likely vocal.

Backings of many kinds that repeat, over them now and then a voice, and now and then what may pass for one: leads that
improvise, glide or tremble, sweeping filters, fills, risers. The voices are those of ``tests.core.voices`` (pulses
through moving formants), which share nothing with the generator of ``fixtures``, so that its tracks remain to measure
on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tests.core.voices import RATE, backing, singing, solo

BARS = 32
_TRAPS = ("none", "solo", "vibrato", "vibrato", "vibrato", "glide", "arpeggio", "sweep", "noise", "fills", "wah")


@dataclass(frozen=True, slots=True)
class VocalSketch:
    """A piece: mono sound at 44.1 kHz, shape (frames,), its bar lines, and for each bar whether someone sings in it."""

    samples: NDArray[np.float32]
    edges_s: NDArray[np.float64]
    vocal: NDArray[np.bool_]
    trap: str


def vocal_sketch(seed: int) -> VocalSketch:
    """Write and play one piece of 32 bars; the same seed gives the same samples."""
    rng = np.random.default_rng([seed, 29])
    bar_s = 240 / rng.uniform(84, 176)
    sound = backing(BARS, bar_s, seed=seed, drums=bool(rng.uniform() < 0.75)).astype(np.float64)
    quiet = int(rng.integers(0, 3)) * 8
    sound[: round(quiet * bar_s * RATE)] *= rng.uniform(0.2, 1.0)
    vocal = np.zeros(BARS, dtype=bool)
    if seed % 2:
        for _ in range(int(rng.integers(1, 3))):
            first = int(rng.integers(0, 7)) * 4
            bars = int(rng.choice([4, 8, 12]))
            last = min(BARS, first + bars)
            _sing(sound, first, last, bar_s, rng)
            vocal[first:last] = True
    trap = _TRAPS[int(rng.integers(len(_TRAPS)))]
    first = int(rng.integers(0, 4)) * 8
    _trap(sound, trap, first, min(BARS, first + int(rng.choice([8, 16]))), bar_s, rng)
    sound = np.tanh(sound * rng.uniform(0.8, 2.0))
    edges_s = np.arange(BARS + 1, dtype=np.float64) * float(bar_s)
    return VocalSketch((0.5 * sound / np.max(np.abs(sound))).astype(np.float32), edges_s, vocal, trap)


def _sing(sound: NDArray[np.float64], first: int, last: int, bar_s: float, rng: np.random.Generator) -> None:
    spoken = rng.uniform() < 0.3
    base = int(rng.integers(48, 66))
    voice = singing((last - first) * bar_s, seed=int(rng.integers(1 << 30)), base=base, spoken=bool(spoken))
    voice = voice.astype(np.float64) * float(np.exp(rng.uniform(np.log(0.15), np.log(1.6))))
    if rng.uniform() < 0.5:
        echo = np.zeros_like(voice)
        lag = round(bar_s * 3 / 16 * RATE)
        echo[lag:] = 0.35 * voice[:-lag]
        voice += echo
    if rng.uniform() < 0.4:
        b, a = signal.butter(1, 400, "highpass", fs=RATE)
        voice = signal.lfilter(b, a, voice)
    _add(sound, voice, first * bar_s)


def _trap(sound: NDArray[np.float64], kind: str, first: int, last: int, bar_s: float, rng: np.random.Generator) -> None:
    length_s, seed = (last - first) * bar_s, int(rng.integers(1 << 30))
    step_s = bar_s / int(rng.choice([8, 16]))
    gain = rng.uniform(0.4, 1.5)
    frames = round(length_s * RATE)
    t = np.arange(frames) / RATE
    if kind == "solo":
        part = solo(length_s, step_s, seed=seed)
    elif kind == "vibrato":
        part = solo(length_s, step_s, seed=seed, vibrato=float(rng.uniform(0.1, 0.5)))
    elif kind == "glide":
        part = solo(length_s, step_s, seed=seed, glide_s=float(rng.uniform(0.02, 0.1)))
    elif kind == "arpeggio":
        part = solo(length_s, bar_s / 32, seed=seed)
    elif kind == "sweep":
        part = _swept(solo(length_s, bar_s / 2, seed=seed), 300 * 2 ** (4 * t / length_s))
    elif kind == "wah":
        part = _swept(solo(length_s, step_s, seed=seed), 500 * 2 ** (1.2 * np.sin(2 * np.pi * t / (2 * step_s))))
    elif kind == "noise":
        part = _swept(0.1 * rng.standard_normal(frames), 400 * 2 ** (4 * t / length_s))
    elif kind == "fills":
        part = np.zeros(frames)
        for at in np.arange(0, length_s, step_s):
            if rng.uniform() < 0.35:
                hit = rng.standard_normal(3_000) * np.exp(-np.arange(3_000) / 900)
                _add(part, 0.3 * rng.uniform() * hit, at)
    else:
        return
    _add(sound, gain * part, first * bar_s)


def _swept(sound: NDArray[np.floating], cut_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """A band-pass whose centre moves, in steps of 12 ms."""
    out, state = np.zeros(len(sound)), np.zeros(2)
    for start in range(0, len(sound), 512):
        b, a = signal.iirpeak(min(float(cut_hz[start]), 9_000.0), 3.0, fs=RATE)
        out[start : start + 512], state = signal.lfilter(b, a, sound[start : start + 512], zi=state)
    return out


def _add(sound: NDArray[np.float64], part: NDArray[np.floating], at_s: float) -> None:
    start = round(at_s * RATE)
    length = min(len(part), len(sound) - start)
    if length > 0:
        sound[start : start + length] += part[:length]
