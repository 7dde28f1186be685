"""Sounds with and without a voice, for the tests of likely vocals: a talker, a singer, leads that might pass for one.

Shares nothing with the generator of ``fixtures``: the voice here is pulses through formants that move all the time,
with consonants, jitter and pauses. The formant frequencies are typical values of vowels, from memory.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import signal

RATE = 44_100
_VOWELS = (
    (800, 1150, 2900),
    (350, 2000, 2800),
    (450, 800, 2830),
    (325, 700, 2700),
    (600, 1700, 2600),
    (500, 1500, 2500),
)


def backing(bars: int, bar_s: float, *, seed: int = 1, drums: bool = True) -> np.ndarray:
    """A loop of four chords with bass and drums that repeats exactly, shape (frames,)."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(round((bars * bar_s + 0.5) * RATE))
    roots = [45, 41, 48, 43]
    kick_t = np.arange(int(0.25 * RATE)) / RATE
    kick = np.sin(2 * np.pi * np.cumsum(50 + 120 * np.exp(-kick_t / 0.03)) / RATE) * np.exp(-kick_t / 0.09)
    hat = rng.standard_normal(int(0.05 * RATE)) * np.exp(-np.arange(int(0.05 * RATE)) / (0.012 * RATE))
    hat = signal.lfilter(*signal.butter(2, 7_000, "highpass", fs=RATE), hat)
    snare = rng.standard_normal(int(0.2 * RATE)) * np.exp(-np.arange(int(0.2 * RATE)) / (0.05 * RATE))
    snare = signal.lfilter(*signal.butter(2, [300, 7_000], "bandpass", fs=RATE), snare)
    for bar in range(bars):
        root = roots[bar % 4]
        for pitch in (root + 12, root + 15 + (root % 2), root + 19):
            _add(sound, 0.06 * _saw(_hertz(pitch), bar_s, 2_500), bar * bar_s)
        for step in range(8):
            _add(sound, 0.15 * _saw(_hertz(root - 12), bar_s / 9, 500), (bar + step / 8) * bar_s)
            if drums:
                _add(sound, 0.15 * hat, (bar + step / 8) * bar_s)
        for beat in range(4 if drums else 0):
            _add(sound, 0.6 * kick, (bar + beat / 4) * bar_s)
            if beat % 2:
                _add(sound, 0.35 * snare, (bar + beat / 4) * bar_s)
    return sound.astype(np.float32)


def singing(seconds: float, *, seed: int = 2, base: int = 57, spoken: bool = False) -> np.ndarray:
    """Words sung on the notes of a scale with glides and some tremor, or spoken on a falling line; shape (frames,)."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    sound = np.zeros(frames)
    at, pitch = rng.uniform(0, 0.2), float(base)
    while at < seconds - 0.8:
        length = rng.uniform(0.12, 0.3) if spoken else rng.uniform(0.2, 0.9)
        goal = base + (rng.normal(0, 2.5) if spoken else float(rng.choice([0, 2, 3, 5, 7, 8, 10])))
        _add(sound, _syllable(pitch, goal, length, rng, tremor=0.1 if spoken else 0.3), at)
        pitch = goal
        at += length + (rng.uniform(0.3, 0.9) if rng.uniform() < 0.15 else rng.uniform(0.0, 0.08))
    return sound.astype(np.float32)


def solo(seconds: float, step_s: float, *, seed: int = 3, vibrato: float = 0.0, glide_s: float = 0.0) -> np.ndarray:
    """A lead synthesiser that never repeats itself: one timbre on a grid of steps, with vibrato and glides if asked."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE)
    steps = int(seconds / step_s)
    pitches = np.zeros(steps)
    gates = np.zeros(steps, dtype=bool)
    place, pitch = 0, 69.0
    while place < steps:
        length = int(rng.choice([1, 2, 2, 3, 4]))
        pitch = 69 + float(rng.choice([0, 2, 3, 5, 7, 10, 12]))
        pitches[place : place + length] = pitch
        gates[place : place + length] = rng.uniform() < 0.85
        place += length
    index = np.minimum((np.arange(frames) / RATE / step_s).astype(int), steps - 1)
    curve = pitches[index]
    if glide_s:
        curve = signal.lfilter([1 / (glide_s * RATE)], [1, -1 + 1 / (glide_s * RATE)], curve - 69) + 69
    curve = curve + vibrato * np.sin(2 * np.pi * 6 * np.arange(frames) / RATE)
    phase = np.cumsum(440 * 2 ** ((curve - 69) / 12)) / RATE
    wave = sum(np.sin(2 * np.pi * order * phase) / order for order in range(1, 9))
    gain = signal.lfilter(*signal.butter(1, 30, fs=RATE), gates[index].astype(float))
    return (0.12 * wave * gain).astype(np.float32)


def _syllable(start: float, goal: float, length: float, rng: np.random.Generator, *, tremor: float) -> np.ndarray:
    frames = int(length * RATE)
    t = np.arange(frames) / RATE
    path = start + (goal - start) * (1 - np.exp(-t / 0.06))
    path += tremor * np.minimum(1, t / 0.3) * np.sin(2 * np.pi * rng.uniform(4.8, 6.2) * t)
    drift = signal.lfilter(*signal.butter(1, 8, fs=RATE), rng.standard_normal(frames))
    path += 0.12 * drift / (np.std(drift) + 1e-9)
    phase = np.cumsum(_hertz(path)) / RATE
    pulses = np.diff(np.floor(phase), prepend=0.0) * (1 + 0.08 * rng.standard_normal(frames))
    source = signal.lfilter([1.0], [1, -0.96], pulses) + 0.004 * rng.standard_normal(frames)
    begin, end = (np.array(_VOWELS[rng.integers(len(_VOWELS))], float) for _ in range(2))
    voice = np.zeros(frames)
    blocks = max(2, frames // 512)
    edges = np.linspace(0, frames, blocks + 1).astype(int)
    for formant, (width, level) in enumerate(((90, 1.0), (110, 0.6), (160, 0.3))):
        state = np.zeros(2)
        for block in range(blocks):
            share = block / (blocks - 1)
            centre = begin[formant] * (1 - share) + end[formant] * share
            b, a = signal.iirpeak(centre, centre / width, fs=RATE)
            part = slice(edges[block], edges[block + 1])
            out, state = signal.lfilter(b, a, source[part], zi=state)
            voice[part] += level * out
    voice *= np.minimum(1, t / 0.02) * np.minimum(1, t[::-1] / 0.05)
    voice *= 0.25 / (np.max(np.abs(voice)) + 1e-9)
    kind = rng.integers(3)
    if kind < 2:
        hiss = rng.standard_normal(int((0.09 if kind else 0.025) * RATE))
        low, high = (4_500, 9_500) if kind else (1_500, 6_000)
        hiss = signal.lfilter(*signal.butter(2, [low, high], "bandpass", fs=RATE), hiss) * np.hanning(len(hiss))
        voice = np.concatenate([0.12 * hiss, voice])
    return voice


@lru_cache(maxsize=64)
def _saw(hertz: float, seconds: float, cut_hz: float) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    orders = range(1, max(2, int(6_000 / hertz)))
    wave = sum(np.sin(2 * np.pi * n * hertz * t) / n / (1 + (n * hertz / cut_hz) ** 2) for n in orders)
    return wave * np.minimum(1, np.minimum(t, t[::-1]) / 0.01)


def _hertz(pitch):
    return 440 * 2 ** ((pitch - 69) / 12)


def _add(sound: np.ndarray, part: np.ndarray, at_s: float) -> None:
    start = round(at_s * RATE)
    length = min(len(part), len(sound) - start)
    if length > 0:
        sound[start : start + length] += part[:length]
