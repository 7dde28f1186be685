"""What changes at each beat: the evidence from which bars and phrases are read.

Task: for every beat, numbers that tend to be large where a bar, a phrase or a section begins. All arrays have one
value a beat.

Conventions: a beat's own features describe the time from it to the next beat. A *novelty* at beat ``b`` over ``k``
beats compares the ``k`` beats from ``b`` on with the ``k`` beats before. Nothing here depends on the gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.onsets import OnsetBands, Samples

Floats = NDArray[np.float64]

_NEAR_S = 0.03
_BASS_TONES = 24
_FLOOR = 0.003
"""Levels below this share of a band's usual loudness count as silence (-50 dB)."""

_QUARTERS = 4


@dataclass(frozen=True, slots=True)
class BeatFeatures:
    """Evidence at each beat. ``attacks`` (beats, 3): onset strength on the beat by band. ``levels`` (beats, 3): log
    level of the beat by band. ``tones`` and ``bass`` (beats, …): pitches of the beat. ``patterns`` (beats, 12): onset
    strength in each quarter of the beat by band."""

    attacks: Floats
    levels: Floats
    tones: Floats
    bass: Floats
    patterns: Floats

    def __len__(self) -> int:
        return len(self.levels)

    def tone_change(self, beats: int) -> Floats:
        """Cosine distance of the pitches over so many beats."""
        return _cosine_change(self.tones, beats)

    def bass_change(self, beats: int) -> Floats:
        """Cosine distance of the lowest two octaves over so many beats."""
        return _cosine_change(self.bass, beats)

    def level_rise(self, band: int, beats: int) -> Floats:
        """How much louder (log) a band becomes."""
        before, after = _around(self.levels[:, band : band + 1], beats)
        result: Floats = (after - before)[:, 0]
        return result

    def distance(self, part: str, beats: int) -> Floats:
        """Distance of one part ("levels", "patterns", "tones", "bass") over so many beats, in its own spread."""
        rows: Floats = getattr(self, part)
        spread = float(np.sqrt(rows.var(axis=0).sum()))
        before, after = _around(rows, beats)
        result: Floats = np.linalg.norm(after - before, axis=1) / max(spread, 1e-6)
        return result

    def novelty(self, beats: int) -> Floats:
        """Distance of everything (levels, patterns, pitches) over so many beats, each part in its own usual size."""
        total = np.zeros(len(self))
        for part in (self.levels, self.patterns, self.tones):
            before, after = _around(part, beats)
            distance = np.linalg.norm(after - before, axis=1)
            usual = float(distance.mean())
            if usual > 1e-9:
                total += distance / usual
        return total / 3.0


def measure_beats(bands: OnsetBands, beats_s: Floats) -> BeatFeatures:
    """Features of each beat; the last beat lasts as long as the one before it."""
    if len(beats_s) < 2:
        empty = np.zeros((len(beats_s), 0))
        return BeatFeatures(np.zeros((len(beats_s), 3)), np.zeros((len(beats_s), 3)), empty, empty, empty)
    edges_s = np.append(beats_s, 2 * beats_s[-1] - beats_s[-2])
    onsets = (bands.low, bands.mid, bands.high)
    attacks = np.column_stack(
        [
            _peaks_near(values, beats_s + offset, bands.hop_s)
            for values, offset in zip(onsets, bands.offset_s, strict=True)
        ]
    )
    levels = []
    for level in (bands.low_level, bands.mid_level, bands.high_level):
        power = _means(level.astype(np.float64)[:, None] ** 2, edges_s / bands.hop_s)[:, 0]
        usual = float(np.quantile(power, 0.75)) or 1.0
        levels.append(0.5 * np.log(power / usual + _FLOOR**2))
    quarters_s = np.interp(np.arange(_QUARTERS * len(beats_s) + 1) / _QUARTERS, np.arange(len(edges_s)), edges_s)
    # A quarter begins a little before its own place, so that an attack on it is not split between two.
    places = (quarters_s - _NEAR_S) / bands.hop_s
    patterns = np.column_stack(
        [
            np.sqrt(_means(np.minimum(values, 8.0)[:, None], places)).reshape(len(beats_s), _QUARTERS)
            for values in onsets
        ]
    )
    tones = _means(bands.tones, edges_s / bands.tones_hop_s + 0.5)
    return BeatFeatures(attacks, np.column_stack(levels), tones, tones[:, :_BASS_TONES], patterns)


def standardise(values: Floats) -> Floats:
    """Values in units of their own spread about their median, held within ±4."""
    middle = np.median(values) if len(values) else 0.0
    spread = float(values.std()) if len(values) else 0.0
    if spread < 1e-9:
        return np.zeros_like(values)
    result: Floats = np.clip((values - middle) / spread, -4.0, 4.0)
    return result


def _means(values: Samples | Floats, edges: Floats) -> Floats:
    """Mean of the rows between neighbouring (fractional) edges, of shape (len(edges) - 1, columns)."""
    count = len(values)
    if not count:
        return np.zeros((len(edges) - 1, values.shape[1]))
    total = np.zeros((count + 1, values.shape[1]))
    np.cumsum(values, axis=0, out=total[1:])
    place = np.clip(edges, 0.0, count)
    whole = np.minimum(place.astype(np.int64), count - 1)
    at = total[whole] + (place - whole)[:, None] * values[whole]
    widths = np.maximum(np.diff(edges), 1e-9)[:, None]
    result: Floats = np.maximum(np.diff(at, axis=0) / widths, 0.0)
    return result


def _peaks_near(values: Samples, times_s: Floats, hop_s: float) -> Floats:
    """Largest value within 30 ms of each time."""
    reach = round(_NEAR_S / hop_s)
    at = np.round(times_s / hop_s).astype(np.int64)[:, None] + np.arange(-reach, reach + 1)
    inside = (at >= 0) & (at < len(values))
    found = (
        np.where(inside, values[np.clip(at, 0, max(len(values) - 1, 0))], 0.0) if len(values) else np.zeros(at.shape)
    )
    result: Floats = np.minimum(found.max(axis=1), 8.0).astype(np.float64)
    return result


def _around(rows: Floats, beats: int) -> tuple[Floats, Floats]:
    """Means of the ``beats`` rows before and from each row on; near the ends, of those that are there."""
    count = len(rows)
    total = np.vstack([np.zeros(rows.shape[1]), np.cumsum(rows, axis=0)])
    at = np.arange(count)
    first, last = np.maximum(at - beats, 0), np.minimum(at + beats, count)
    before = (total[at] - total[first]) / np.maximum(at - first, 1)[:, None]
    after = (total[last] - total[at]) / np.maximum(last - at, 1)[:, None]
    if count:
        before[0] = after[0]
    return before, after


def _cosine_change(rows: Floats, beats: int) -> Floats:
    before, after = _around(rows, beats)
    norms = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    usual = float(norms.mean()) if len(norms) else 0.0
    # Pitches of near silence are noise: their distance fades out with their level.
    cosine = (before * after).sum(axis=1) / np.maximum(norms, 1e-12)
    result: Floats = (1.0 - cosine) * norms / (norms + 0.1 * usual + 1e-12)
    return result
