"""Which pulse is the beat, and where in it the beat lies: decided together.

Task: given an even pulse that the music repeats at, choose the beat among its simple ratios (a third, half, two thirds,
…, triple) and among the quarters and thirds of each.

Method: for each reading the onsets are gathered in twelfths of a beat (which hold quarters and thirds alike) and folded
over four beats. What dance music does becomes numbers (``FEATURES``): kick on the beat, backbeat on every second one or
on the third of four, hats between, bass notes and chords that change on beats, how often anything is struck in a beat,
bars that repeat after 4, 8 and 16 beats or after 3, 6 and 12, parts that open, come back and change on the beat, and
the tempo itself. A small network scores each reading by its numbers alone, a softmax over all readings gives their
probabilities.

The network (one hidden layer) is fitted by ``python -m tests.accuracy.fit_metre`` on music with exact beats; its
weights lie in ``metre_weights.json`` beside this module, with what they were fitted on and how they did.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.network import Network, network_of
from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.tempo import Events
from analysis_worker.core.turns import PHASES, TWELFTHS, Turns

Floats = NDArray[np.float64]

RATIOS = (1 / 3, 1 / 2, 2 / 3, 3 / 4, 1.0, 4 / 3, 3 / 2, 2.0, 3.0)
"""Beats in one base pulse (design: keep T/2, T, 2T, 2T/3 and 3T/2; thirds for triple time)."""

TEMPO_RANGE_BPM = (58.0, 232.0)
_FOLD_BEATS = 4
_SLOT_WIDTH = 0.03
"""Width (standard deviation, in beats) within which an onset belongs to a slot."""

_CENTRE_BPM = 126.0
_BANDS = 3
_CLEAR = 1.5
"""An onset so many times as strong as the median one is clear."""

_STRUCK = 1.0
"""Onsets of this strength (standard deviations of their band) are counted as strokes."""

_REST_S = 1.2
"""What a band strikes first after so long without a clear stroke, it mostly strikes on a beat."""

_TOGETHER_S = 0.03
"""Strokes of several bands within this time are one (own choice: above the spread of attacks, below a 32nd note)."""

_LAGS = (0.5, 1, 1.5, 2, 4, 8, 16, 3, 6, 12)
_BAND_LAGS = (1, 2, 4)
_ROWS = ("low", "mid", "high", "all", "tone", "bass")
FEATURES = (
    *(f"{row}_{what}" for row in _ROWS for what in ("on", "half", "quarter", "third", "pair", "one")),
    "backbeat",
    "backbeat_slow",
    "backbeat_fast",
    "low_rate",
    "mid_rate",
    "high_rate",
    "tone_rate",
    "bass_rate",
    "loudest_on",
    "loudest_half",
    "loudest_quarter",
    "tempo",
    "tempo_squared",
    "on_quarters",
    "on_thirds",
    *(f"repeats_{lag}" for lag in _LAGS),
    *(f"{band}_repeats_{lag}" for band in ("low", "mid", "high") for lag in _BAND_LAGS),
    "opens",
    "opens_together",
    *(f"{band}_back_{where}" for band in ("low", "mid", "high", "together") for where in ("on", "half", "quarter")),
    *(f"{what}_turns_{where}" for what in ("level", "tone") for where in ("on", "half", "quarter")),
)


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One reading: ``ratio`` beats in one base pulse, the first one ``phase`` twelfths of a beat after the pulse."""

    ratio: float
    phase: int
    tempo_bpm: float
    probability: float

    def place(self, number: float) -> float:
        """Where beat ``number`` lies, in base pulses."""
        return (number + self.phase / TWELFTHS) / self.ratio


@cache
def _networks() -> tuple[tuple[Network, ...], float]:
    """The fitted networks, and the temperature by which their mean score is divided."""
    document = json.loads(Path(__file__).with_name("metre_weights.json").read_text(encoding="utf-8"))
    if tuple(document["features"]) != FEATURES:
        raise ValueError("metre_weights.json was fitted on other features: run python -m tests.accuracy.fit_metre")
    members = tuple(network_of(member) for member in document["networks"])
    return members, float(document.get("temperature", 1.0))


def weigh_metres(
    events: Events, pulses: Floats, bands: OnsetBands, pulse_times_s: Floats, tempo_bpm: float
) -> list[Hypothesis]:
    """All readings of a pulse, the most probable first.

    ``pulses`` gives the position of each onset in base pulses (fractional), ``pulse_times_s`` the time of each whole
    pulse from 0, ``tempo_bpm`` the rate of the base pulse. The pulse must be aligned so that whole positions are places
    where much begins.
    """
    found, features = measure_readings(events, pulses, bands, pulse_times_s, tempo_bpm)
    networks, temperature = _networks()
    scores = np.mean([network.score(features) for network in networks], axis=0) / temperature
    probabilities = np.exp(scores - scores.max())
    probabilities /= probabilities.sum()
    order = np.argsort(-probabilities, kind="stable")
    return [Hypothesis(found[i][0], found[i][1], tempo_bpm * found[i][0], float(probabilities[i])) for i in order]


def measure_readings(
    events: Events, pulses: Floats, bands: OnsetBands, pulse_times_s: Floats, tempo_bpm: float
) -> tuple[list[tuple[float, int]], Floats]:
    """Ratio and phase of each reading within the range of tempi, and its features (readings, len(FEATURES))."""
    turns, together = Turns(bands, pulse_times_s), _together(events)
    found: list[tuple[float, int]] = []
    rows = []
    for ratio in RATIOS:
        bpm = tempo_bpm * ratio
        if TEMPO_RANGE_BPM[0] <= bpm <= TEMPO_RANGE_BPM[1]:
            found += [(ratio, phase) for phase in PHASES]
            rows.append(_measure_ratio(events, pulses * ratio, together, turns, ratio, bpm))
    return found, np.concatenate(rows)


def _measure_ratio(events: Events, beats: Floats, together: Floats, turning: Turns, ratio: float, bpm: float) -> Floats:
    """Features of all phases of one candidate beat; ``beats`` are the onsets' positions in it, ``together`` how many
    other bands strike with each."""
    fold = _FOLD_BEATS * TWELFTHS
    table = slots(events, beats, fold)
    count = table.shape[1]
    rows = np.sqrt(table)
    every = rows.sum(axis=0)
    change, bass_change = turning.changes(ratio, count)
    profile: Floats = np.vstack([*rows, every, change, bass_change]).reshape(len(_ROWS), -1, fold).mean(axis=1)
    measured = np.isin(np.arange(fold) % TWELFTHS, PHASES)
    levels = profile[4:, measured].mean(axis=1)
    profile[4:, measured] -= 0.9 * profile[4:, measured].min(axis=1, keepdims=True)
    profile /= np.maximum(np.max(profile, axis=1, keepdims=True), np.float64(1e-9))
    length = max(count / TWELFTHS, 1.0)
    rates = [
        np.log(0.02 + np.count_nonzero((events.bands == band) & (events.strengths > _STRUCK)) / length)
        for band in range(_BANDS)
    ]
    octave = float(np.log2(bpm / _CENTRE_BPM))
    quarters = table.reshape(_BANDS, -1, TWELFTHS).sum(axis=1)
    mass = np.maximum(np.bincount(events.bands, weights=events.strengths, minlength=_BANDS), 1e-9)
    common_before = [*rates, *levels]
    repeats = [*_repetition(rows, _LAGS), *(x for row in rows for x in _repetition(row[None], _BAND_LAGS))]
    opening, opens_together = _opening(events, beats, together)
    back = _comebacks(events, beats, together)
    turns = turning.turns(ratio)
    loudest = every >= np.quantile(every[every > 0], 0.8) if (every > 0).any() else every > 0
    loud = np.bincount(np.arange(count)[loudest] % TWELFTHS, minlength=TWELFTHS) / max(
        int(np.count_nonzero(loudest)), 1
    )
    result = []
    for phase in PHASES:
        q = np.roll(profile, -phase, axis=1).reshape(len(_ROWS), _FOLD_BEATS, TWELFTHS)
        on, half = q[:, :, 0], q[:, :, 6]
        shape = np.stack(
            [
                on.mean(axis=1),
                half.mean(axis=1),
                q[:, :, (3, 9)].mean(axis=(1, 2)),
                q[:, :, (4, 8)].mean(axis=(1, 2)),
                np.abs(on[:, 1] + on[:, 3] - on[:, 0] - on[:, 2]) / 2,
                on.max(axis=1) - on.mean(axis=1),
            ],
            axis=1,
        )
        kick, snare = on[0], on[1]
        turned = np.array([(kick[i] - kick[i - 2]) * (snare[i - 2] - snare[i]) for i in range(_FOLD_BEATS)])
        pair = (kick[0] + kick[2] - kick[1] - kick[3]) * (snare[1] + snare[3] - snare[0] - snare[2]) / 4
        fast = (kick.mean() - half[0].mean()) * (half[1].mean() - snare.mean())
        hit = np.roll(loud, -phase)
        shares = np.roll(quarters, -phase, axis=1) / mass[:, None]
        apart = ((opening - phase / TWELFTHS + 0.5) % 1.0 - 0.5) / _SLOT_WIDTH
        result.append(
            [
                *shape.ravel(),
                max(pair, 0.0),
                max(float(turned.max()), 0.0),
                max(float(fast), 0.0),
                *common_before,
                hit[0],
                hit[6],
                hit[3] + hit[9],
                octave,
                octave**2,
                float(shares[:, (0, 3, 6, 9)].sum(axis=1).mean()),
                float(shares[:, (4, 8)].sum(axis=1).mean()),
                *repeats,
                float(np.exp(-0.5 * apart**2)),
                opens_together * float(np.exp(-0.5 * apart**2)),
                *(float(x) for row in back for x in _at(row, phase)),
                *(float(x) for row in turns for x in _at(row, phase)),
            ]
        )
    return np.asarray(result, dtype=np.float64)


def slots(events: Events, beats: Floats, multiple: int) -> Floats:
    """Strength in each twelfth of each beat, shape (3, twelfths), a whole multiple of them; ``beats`` are the onsets'
    positions in beats. What lies between twelfths counts less, what lies before the first beat not at all."""
    place = beats * TWELFTHS
    slot = np.round(place).astype(np.int64)
    inside = np.exp(-0.5 * ((place - slot) / TWELFTHS / _SLOT_WIDTH) ** 2) * events.strengths * (slot >= 0)
    count = max(-(-(int(slot.max(initial=0)) + 1) // multiple), 1) * multiple
    slot = np.clip(slot, 0, None)
    counted = np.bincount(events.bands * count + slot, weights=inside, minlength=_BANDS * count)
    return counted.astype(np.float64).reshape(_BANDS, count)


def _together(events: Events) -> Floats:
    """How many other bands strike within ``_TOGETHER_S`` of each onset, 0 to 2, shape (events,)."""
    result = np.zeros(len(events.times_s))
    for band in range(_BANDS):
        theirs = events.times_s[(events.bands == band) & (events.strengths >= _STRUCK)]
        if len(theirs):
            place = np.searchsorted(theirs, events.times_s)
            near = np.minimum(
                np.abs(theirs[np.minimum(place, len(theirs) - 1)] - events.times_s),
                np.abs(theirs[np.maximum(place - 1, 0)] - events.times_s),
            )
            result += (near <= _TOGETHER_S) & (events.bands != band)
    return result


def _opening(events: Events, beats: Floats, together: Floats) -> tuple[float, float]:
    """Where in its beat the first clear onset lies, and how many bands strike with it (0 to 1): music seldom begins off
    the beat, and all together hardly ever (common practice, no source)."""
    clear = np.flatnonzero(events.strengths >= _CLEAR * np.median(events.strengths))
    return (float(beats[clear[0]] % 1.0), float(together[clear[0]]) / 2) if len(clear) else (0.0, 0.0)


def _at(row: Floats, phase: int) -> tuple[float, float, float]:
    """Values (of twelfths) on the beat, half a beat and a quarter to either side of it."""
    quarter = (row[(phase + 3) % TWELFTHS] + row[(phase + 9) % TWELFTHS]) / 2
    return float(row[phase]), float(row[(phase + 6) % TWELFTHS]), float(quarter)


def _comebacks(events: Events, beats: Floats, together: Floats) -> Floats:
    """Where in the beat each band strikes first after a rest, and where it does so with others, as shares near each
    twelfth, shape (4, twelfths)."""
    result = np.zeros((_BANDS + 1, TWELFTHS))
    joined = 0.0
    for band in range(_BANDS):
        mine = np.flatnonzero(events.bands == band)
        mine = mine[events.strengths[mine] >= _STRUCK]
        first = mine[np.diff(events.times_s[mine], prepend=-_REST_S) >= _REST_S]
        if len(first):
            apart = ((beats[first, None] - np.arange(TWELFTHS) / TWELFTHS + 0.5) % 1.0 - 0.5) / _SLOT_WIDTH
            near = np.exp(-0.5 * apart**2)
            result[band] = near.mean(axis=0)
            result[_BANDS] += together[first] @ near
            joined += float(together[first].sum())
    result[_BANDS] /= max(joined, 1.0)
    return result


def _repetition(rows: Floats, lags: tuple[float, ...]) -> list[float]:
    """Likeness of the slots to those some beats later."""
    rows = rows - rows.mean(axis=1, keepdims=True)
    energy = float((rows**2).sum())
    result = []
    for lag in lags:
        steps = round(lag * TWELFTHS)
        enough = energy > 0 and steps < rows.shape[1] // 2
        result.append(float((rows[:, steps:] * rows[:, :-steps]).sum() / energy) if enough else 0.0)
    return result
