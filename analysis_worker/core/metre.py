"""Which pulse is the beat, and where in it the beat lies: decided together.

Task: given an even pulse that the music repeats at, choose the beat among its simple ratios (half, two thirds, …,
double) and among the four quarters of each, by what dance music does: the kick on the beat, snares on every second
one, hats between, chords that change on beats, bars that repeat after 4, 8 and 16 beats, an opening on the beat, and
tempi near 126 BPM.

Method: for each hypothesis the onsets are gathered in the sixteen slots of four beats; a weighted sum of how full the
slots are is its score, and a softmax over all hypotheses its probability. The weights come from logistic regression
(see ``WEIGHTS``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.tempo import Events

Floats = NDArray[np.float64]

RATIOS = (1 / 2, 2 / 3, 3 / 4, 1.0, 4 / 3, 3 / 2, 2.0)
"""Beats in one base pulse (design: keep T/2, T, 2T, 2T/3 and 3T/2)."""

TEMPO_RANGE_BPM = (60.0, 200.0)
SLOTS = 16
_SLOT_WIDTH = 0.03
"""Width (standard deviation, in beats) within which an onset belongs to a slot."""

_CENTRE_BPM = 126.0
_BANDS = 3
_CLEAR = 1.5
"""An onset so many times as strong as the median one is clear."""

WEIGHTS = {
    "tempo": 2.62,
    "fast": 0.09,
    "on_grid": 3.1,
    "repeats": 3.72,
    "repeats_odd": -1.38,
    "low_on": 0.95,
    "low_half": -0.65,
    "low_quarter": -1.26,
    "low_pair": 0.23,
    "mid_on": 0.39,
    "mid_half": -2.12,
    "mid_quarter": -1.66,
    "mid_pair": -1.82,
    "high_on": 3.89,
    "high_half": 1.92,
    "high_quarter": -1.07,
    "high_pair": -0.56,
    "tone_on": -0.24,
    "tone_half": -1.48,
    "tone_quarter": -0.67,
    "tone_pair": 0.4,
    "backbeat": 0.11,
    "tone_bar": 1.91,
    "opens": 3.0,
}
"""Fitted (ridge 0.3) on 101 synthetic tracks and ten rendered modules with exact beats, half of the weight without the
opening, whose own weight was set by hand: it may decide where the music leaves the matter open, not against the drums.
Measured with each track left out of the fit: octave and place of the beat right for 103 of 111 without the opening, 106
with it (the other five: slow beats of 70 to 96 BPM read at twice the tempo)."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One reading: ``ratio`` beats in one base pulse, the first one ``phase`` quarter beats after the pulse."""

    ratio: float
    phase: int
    tempo_bpm: float
    probability: float


def weigh_metres(
    events: Events,
    pulses: Floats,
    bands: OnsetBands,
    pulse_times_s: Floats,
    tempo_bpm: float,
    weights: dict[str, float] | None = None,
) -> list[Hypothesis]:
    """All readings of a pulse, the most probable first.

    ``pulses`` gives the position of each onset in base pulses (fractional), ``pulse_times_s`` the time of each whole
    pulse from 0, ``tempo_bpm`` the rate of the base pulse. The pulse must be aligned so that whole positions are places
    where much begins.
    """
    weights = weights or WEIGHTS
    found: list[tuple[float, int, float]] = []
    for ratio in RATIOS:
        bpm = tempo_bpm * ratio
        if TEMPO_RANGE_BPM[0] <= bpm <= TEMPO_RANGE_BPM[1]:
            for phase, features in enumerate(measure_slots(events, pulses * ratio, bands, pulse_times_s, ratio, bpm)):
                found.append((ratio, phase, sum(weights[name] * features[name] for name in weights)))
    scores = np.array([score for _, _, score in found])
    probabilities = np.exp(scores - scores.max())
    probabilities /= probabilities.sum()
    order = np.argsort(-probabilities, kind="stable")
    return [Hypothesis(found[i][0], found[i][1], tempo_bpm * found[i][0], float(probabilities[i])) for i in order]


def measure_slots(
    events: Events, beats: Floats, bands: OnsetBands, pulse_times_s: Floats, ratio: float, bpm: float
) -> list[dict[str, float]]:
    """Features of the four phases of one candidate beat; ``beats`` are the onsets' positions in it."""
    quarter = beats * 4
    slot = np.round(quarter).astype(np.int64)
    inside = np.exp(-0.5 * ((quarter - slot) / 4 / _SLOT_WIDTH) ** 2) * events.strengths
    count = max(int(slot.max(initial=0)) + 1, SLOTS)
    slot = np.clip(slot, 0, None)
    counted = np.bincount(events.bands * count + slot, weights=inside, minlength=_BANDS * count)
    table: Floats = counted.astype(np.float64).reshape(_BANDS, count)
    profile = _fold(table)
    change = _fold(_tone_changes(bands, pulse_times_s, ratio, count)[None])[0]
    mass = np.bincount(events.bands, weights=events.strengths, minlength=_BANDS)
    shares = profile.sum(axis=1) * (count / SLOTS) / np.maximum(mass, 1e-9)
    scaled = np.vstack([profile, change - 0.9 * change.min()])
    scaled /= np.maximum(scaled.max(axis=1, keepdims=True), 1e-9)
    common = {
        "tempo": -(np.log2(bpm / _CENTRE_BPM) ** 2),
        "fast": float(np.log2(bpm / _CENTRE_BPM)),
        "on_grid": float(shares.mean()),
        **_repetition(table),
    }
    opening = _opening(events, beats)
    features = []
    for phase in range(4):
        q = np.roll(scaled, -phase, axis=1).reshape(_BANDS + 1, 4, 4)
        values = dict(common)
        for name, row in zip(("low", "mid", "high", "tone"), q, strict=True):
            values[f"{name}_on"] = float(row[:, 0].mean())
            values[f"{name}_half"] = float(row[:, 2].mean())
            values[f"{name}_quarter"] = float(row[:, (1, 3)].mean())
            values[f"{name}_pair"] = float(abs(row[1, 0] + row[3, 0] - row[0, 0] - row[2, 0]) / 2)
        kick, snare = ((q[b, 0, 0] + q[b, 2, 0] - q[b, 1, 0] - q[b, 3, 0]) / 2 for b in (0, 1))
        values["backbeat"] = float(max(0.0, -kick * snare))
        values["tone_bar"] = float(q[3, :, 0].max() - q[3, :, 0].mean())
        values["opens"] = float(np.exp(-0.5 * (((opening - phase / 4 + 0.5) % 1.0 - 0.5) / _SLOT_WIDTH) ** 2))
        features.append(values)
    return features


def _opening(events: Events, beats: Floats) -> float:
    """Where in its beat the first clear onset lies: music seldom begins off the beat (common practice, no source)."""
    clear = np.flatnonzero(events.strengths >= _CLEAR * np.median(events.strengths))
    return float(beats[clear[0]] % 1.0) if len(clear) else 0.0


def _fold(table: Floats) -> Floats:
    """Mean of each of sixteen slots, of shape (rows, 16)."""
    whole = table.shape[1] // SLOTS * SLOTS
    result: Floats = table[:, :whole].reshape(len(table), -1, SLOTS).mean(axis=1)
    return result


def _tone_changes(bands: OnsetBands, pulse_times_s: Floats, ratio: float, count: int) -> Floats:
    """How far the pitches of the beat after each slot differ from those of the beat before (cosine distance)."""
    if len(bands.tones) < 2 or len(pulse_times_s) < 2:
        return np.zeros(count)
    place = np.arange(-4, count + 5) / 4 / ratio
    times = np.interp(place, np.arange(len(pulse_times_s)), pulse_times_s)
    step = np.median(np.diff(pulse_times_s))
    times += np.where(place > len(pulse_times_s) - 1, (place - len(pulse_times_s) + 1) * step, 0.0)
    times += np.where(place < 0, place * step, 0.0)
    total = np.vstack([np.zeros(bands.tones.shape[1]), np.cumsum(bands.tones, axis=0, dtype=np.float64)])
    rows = np.clip(times / bands.tones_hop_s + 0.5, 0, len(bands.tones))
    low = np.minimum(rows.astype(np.int64), len(bands.tones) - 1)
    at = total[low] + (rows - low)[:, None] * (total[low + 1] - total[low])
    span = at[4:] - at[:-4]
    before, after = span[:count], span[4 : count + 4]
    norms = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    result: Floats = np.where(norms > 1e-9, 1.0 - (before * after).sum(axis=1) / np.maximum(norms, 1e-9), 0.0)
    return result


def _repetition(table: Floats) -> dict[str, float]:
    """Likeness of the slots to those 4, 8 and 16 beats later, against those 3 and 6 beats later."""
    rows = np.sqrt(table)
    rows = rows - rows.mean(axis=1, keepdims=True)
    energy = float((rows**2).sum())
    if energy <= 0.0:
        return {"repeats": 0.0, "repeats_odd": 0.0}

    def likeness(beats: int) -> float:
        lag = beats * 4
        if lag >= rows.shape[1]:
            return 0.0
        return float((rows[:, lag:] * rows[:, :-lag]).sum() / energy)

    return {
        "repeats": (likeness(4) + likeness(8) + likeness(16)) / 3,
        "repeats_odd": (likeness(3) + likeness(6) + likeness(12)) / 3,
    }
