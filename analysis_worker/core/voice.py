"""Where a track is likely vocal.

Backing repeats from bar to bar, a voice does not, so it stays in the residual (``residual``). But so does a lead that
improvises, a fill or a sweep. The residual of each bar is therefore asked

* how much of the sound it is, and how like the bar's likes are,
* whether its pitches slide by less than a semitone and go on sliding the same way (fluctogram), or tremble as evenly
  as a machine,
* how much its spectral envelope varies and how fast it moves, as vowels and consonants do and one synthesiser's notes
  do not ("vocal variance": B. Lehner, G. Widmer & R. Sonnleitner, ICASSP 2014),
* how often it hisses above 5 kHz while the middle is quiet, as sibilants do,
* whether its attacks keep to the sixteenths of the grid, and how its level moves at the pace of syllables.

A small network over the cues of a bar, of the two beside it and of the five around it makes a probability; the best
path of bars with and without a voice (Viterbi) makes regions of them. ``voice_weights.json`` is fitted by ``python -m
tests.accuracy.fit_voice``, which says on what.

What is not found: a sung sample that repeats exactly with its bar, a voice in music without a grid.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis_worker.core.network import Network, network_of
from analysis_worker.core.residual import HOP_S, FrameCues, frame_cues, spectra_of
from analysis_worker.core.results import VoiceRegion
from analysis_worker.core.units import to_us

CUES = (
    "active",
    "share",
    "slides",
    "smooth",
    "fit",
    "variety",
    "motion",
    "hisses",
    "loose",
    "likeness",
    "syllables",
    "vowels",
    "tonal",
    "regular",
)
"""One column of ``bar_cues`` each."""

NUMBERS = tuple(f"{cue}{place}" for place in ("", "_beside", "_around") for cue in CUES)
"""One column of ``in_context`` each."""

WEIGHTS = Path(__file__).with_name("voice_weights.json")

_ACTIVE_SHARE, _ACTIVE_LEVEL = 0.08, 0.01  # a residual below is what bars of a loop differ by (no source)
_SLIDE_SEMITONES = (0.06, 0.95)  # from what detuned oscillators wobble by to less than the next note
_ALIKE_ENOUGH = 0.4
_STEADY_SLIDE = 0.12
_MOTION_FRAMES = 4  # 93 ms: one sound of speech
_TREMBLING_HZ = (3.0, 10.0)  # vibrato of singers is about 5 to 7 Hz (from memory)
_CHANGE_COST = 2.0  # log-odds; best of 2, 4 and 6 in cross-validation
_SHORTEST_BARS = 2

Doubles = NDArray[np.float64]


def find_voice(
    mono: NDArray[np.float32], sample_rate: int, edges_s: Doubles, beats_per_bar: int
) -> tuple[VoiceRegion, ...]:
    """The spans that are likely vocal, from bar line to bar line, in order.

    ``mono`` has shape (frames,), ``edges_s`` are the bar lines (bars + 1), empty where there is no grid.
    """
    if len(edges_s) < 2:
        return ()
    frames = frame_cues(spectra_of(mono, sample_rate), edges_s)
    if frames is None:
        return ()
    odds = log_odds(bar_cues(frames, edges_s, beats_per_bar))
    regions = []
    for first, last in regions_of(odds):
        likely = float(np.mean(1 / (1 + np.exp(-odds[first:last]))))
        regions.append(VoiceRegion(to_us(edges_s[first]), to_us(edges_s[last]), round(likely, 3)))
    return tuple(regions)


def log_odds(cues: Doubles) -> Doubles:
    """How likely each bar is vocal, in log-odds, shape (bars,)."""
    network, bias = _fitted()
    return network.score(in_context(cues)) + bias


@cache
def _fitted() -> tuple[Network, float]:
    document = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    if tuple(document["numbers"]) != NUMBERS:
        raise ValueError("voice_weights.json was fitted on other numbers: run python -m tests.accuracy.fit_voice")
    return network_of(document["network"]), float(document["bias"])


def in_context(cues: Doubles) -> Doubles:
    """The cues of each bar, the mean of the two beside it, and the mean of the five around it, side by side."""
    bars = len(cues)
    padded = np.pad(cues, ((2, 2), (0, 0)), mode="edge")
    beside = (padded[1 : bars + 1] + padded[3 : bars + 3]) / 2
    around = np.mean([padded[step : step + bars] for step in range(5)], axis=0)
    return np.hstack([cues, beside, around])


def regions_of(odds: Doubles) -> list[tuple[int, int]]:
    """First bar and the bar after the last of each region: the best path through voice and no voice."""
    best = np.array([0.0, odds[0] - _CHANGE_COST / 2])
    back = np.zeros((len(odds), 2), dtype=np.int64)
    for bar in range(1, len(odds)):
        from_other = best[::-1] - _CHANGE_COST
        back[bar] = np.where(from_other > best, [1, 0], [0, 1])
        best = np.maximum(best, from_other)
        best[1] += odds[bar]
    path = np.zeros(len(odds), dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for bar in range(len(odds) - 1, 0, -1):
        path[bar - 1] = back[bar, path[bar]]
    turns = np.flatnonzero(np.diff(np.concatenate([[0], path, [0]])))
    pairs = zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True)
    return [(first, last) for first, last in pairs if last - first >= _SHORTEST_BARS]


def bar_cues(frames: FrameCues, edges_s: Doubles, beats_per_bar: int) -> Doubles:
    """The cues of each bar, shape (bars, len(CUES)), some of them over the bar and its two neighbours."""
    share, level = frames.share, frames.level
    active = (share > _ACTIVE_SHARE) & (level > _ACTIVE_LEVEL)
    weight = active * np.sqrt(np.minimum(level, 1.0))
    slide = np.abs(frames.shift)
    sliding = active & (frames.fit > _ALIKE_ENOUGH) & (slide > _SLIDE_SEMITONES[0]) & (slide < _SLIDE_SEMITONES[1])
    smooth = sliding & (np.abs(frames.shift - np.roll(frames.shift, 1)) < _STEADY_SLIDE)
    both = active & np.roll(active, _MOTION_FRAMES)
    moved = np.abs(frames.envelope - np.roll(frames.envelope, _MOTION_FRAMES, axis=0))
    motion = np.mean(moved, axis=1) * both
    hiss = (frames.high_share > 0.4) & (frames.high_level > 0.05) & (share < 0.5)
    curve = np.log10(level + 1e-3)
    attack = np.maximum(curve - np.roll(curve, 2), 0) * (level > 2 * _ACTIVE_LEVEL)
    # Between 35 ms and 140 ms: level that rises and falls three to eight times a second.
    pace = scipy.ndimage.gaussian_filter1d(curve, 1.5) - scipy.ndimage.gaussian_filter1d(curve, 6.0)
    syllables = np.abs(pace) * active
    in_bars = np.interp(np.arange(len(share)) * HOP_S, edges_s, np.arange(len(edges_s)))
    turn = np.exp(2j * np.pi * in_bars * beats_per_bar * 4)
    bars = len(edges_s) - 1
    places = np.clip(np.rint(edges_s / HOP_S).astype(np.int64), 0, len(share) - 1)
    rows = np.zeros((bars, len(CUES)))
    for bar in range(bars):
        one = slice(places[bar], max(places[bar] + 1, places[bar + 1]))
        three = slice(places[max(0, bar - 1)], max(places[bar] + 1, places[min(bars, bar + 2)]))
        heard = weight[three]
        total = float(heard.sum()) + 1e-9
        shape = frames.envelope[three]
        mean = heard @ shape / total
        spread = np.sqrt(heard @ (shape - mean) ** 2 / total)
        count, near = active[one].sum() + 1e-9, active[three].sum() + 3
        rows[bar] = (
            active[one].mean(),
            np.log10(np.mean(share[one] * level[one]) / (np.mean(level[one]) + 1e-9) + 0.01),
            sliding[three].sum() / near,
            smooth[three].sum() / near,
            (frames.fit[one] * active[one]).sum() / count,
            spread[:-1].mean(),
            motion[three].sum() / (both[three].sum() + 3),
            hiss[three].mean(),
            1 - abs(np.sum(attack[three] * turn[three])) / (np.sum(attack[three]) + 0.3),
            frames.likeness[bar],
            syllables[three].sum() / near,
            np.abs(np.diff(shape[:, 1:5], axis=0)).mean() if len(shape) > 1 else 0.0,
            (frames.tonal[three] * heard).sum() / total,
            _regularity(np.where(active[three], frames.shift[three], 0.0)),
        )
    return rows


def _regularity(shift: Doubles) -> float:
    """How much of the trembling of pitch is at one rate: a synthesiser's vibrato never changes, a singer's does."""
    power = np.abs(np.fft.rfft(shift - shift.mean(), max(len(shift), 64))) ** 2
    hertz = np.fft.rfftfreq(max(len(shift), 64), HOP_S)
    trembling = power[(hertz >= _TREMBLING_HZ[0]) & (hertz <= _TREMBLING_HZ[1])]
    return float(np.max(trembling) / (np.sum(trembling) + 0.5))
