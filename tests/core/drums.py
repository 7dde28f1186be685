"""Small drum tracks with known beats for the tests of grid and bars: no file, a second or less each."""

from __future__ import annotations

import numpy as np

RATE = 44_100


def even_beats(tempo_bpm: float, first_s: float, seconds: float) -> np.ndarray:
    """Beat times of a steady tempo within ``[0, seconds)``."""
    return np.arange(first_s, seconds, 60.0 / tempo_bpm)


def place(sound: np.ndarray, times_s: np.ndarray, seconds: float, level: float | np.ndarray = 1.0) -> np.ndarray:
    """The sound at each time (to the nearest sample), shape (frames,)."""
    out = np.zeros(int(seconds * RATE) + len(sound))
    levels = np.broadcast_to(level, len(times_s))
    for time_s, loud in zip(times_s, levels, strict=True):
        start = round(time_s * RATE)
        if 0 <= start < int(seconds * RATE):
            out[start : start + len(sound)] += loud * sound
    return out[: int(seconds * RATE)]


def kick() -> np.ndarray:
    """A falling sine with a click; sounds from its first sample on."""
    t = np.arange(int(0.25 * RATE)) / RATE
    pitch = 50 + 120 * np.exp(-t / 0.025)
    body = np.sin(2 * np.pi * np.cumsum(pitch) / RATE) * np.exp(-t / 0.08)
    return body + 0.2 * np.random.default_rng(1).standard_normal(len(t)) * np.exp(-t / 0.002)


def hat() -> np.ndarray:
    """A burst of bright noise."""
    t = np.arange(int(0.06 * RATE)) / RATE
    return 0.2 * np.diff(np.random.default_rng(2).standard_normal(len(t) + 1)) * np.exp(-t / 0.015)


def snare() -> np.ndarray:
    """A burst of noise over a short tone."""
    t = np.arange(int(0.2 * RATE)) / RATE
    noise = np.random.default_rng(3).standard_normal(len(t))
    return (0.4 * np.sin(2 * np.pi * 190 * t) + 0.3 * noise) * np.exp(-t / 0.05)


def note(midi: int, length_s: float) -> np.ndarray:
    """Four partials with a soft start and end."""
    t = np.arange(int(length_s * RATE)) / RATE
    hertz = 440.0 * 2 ** ((midi - 69) / 12)
    shape = np.minimum(1, t / 0.004) * np.minimum(1, (length_s - t) / 0.02)
    return shape * sum(np.sin(2 * np.pi * k * hertz * t) / k for k in range(1, 5))


def track(beats_s: np.ndarray, seconds: float, *, first_downbeat: int = 0, roots: tuple[int, ...] = (45, 41, 48, 43)):
    """Kick on every beat, snare on every second, hats between, a bass note and a chord for each bar.

    ``first_downbeat`` is the index of the first beat of a bar, ``roots`` the bass notes of the bars in turn.
    """
    gaps = np.diff(beats_s, append=2 * beats_s[-1] - beats_s[-2])
    index = np.arange(len(beats_s)) - first_downbeat
    out = 0.9 * place(kick(), beats_s, seconds)
    out += place(snare(), beats_s[index % 2 == 1], seconds, 0.7)
    out += place(hat(), beats_s + gaps / 2, seconds, 0.8)
    out += place(hat(), np.concatenate([beats_s + gaps / 4, beats_s + gaps * 3 / 4]), seconds, 0.3)
    for turn, root in enumerate(roots):
        bars = beats_s[(index % 4 == 0) & (index // 4 % len(roots) == turn)]
        length_s = 3.8 * float(np.median(gaps))
        for step, level in ((0, 0.12), (12, 0.05), (15, 0.05), (19, 0.05)):
            out += place(note(root + step, length_s), bars, seconds, level)
    return (0.5 * out).astype(np.float32)
