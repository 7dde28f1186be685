"""The drops of a track, compared by figures over their first 16 bars (or fewer).

Strength compares the drops of one track with each other alone: loudness, low end and density of attacks of each, less
the mean of all its drops, weighted (1 LU counts as much as 1.5 dB of low end or half an attack a beat), through a
logistic curve. So drops that do not differ have 0.5 each, and the figures tell by what one leads. The weights are a
choice of this product.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis_worker.core.features import BarFeatures
from analysis_worker.core.loudness import span_lufs
from analysis_worker.core.results import Drop
from analysis_worker.core.sections import Span
from analysis_worker.core.units import to_us

COMPARED_BARS = 16
_LU_PER_UNIT, _LOW_DB_PER_UNIT, _ONSETS_PER_UNIT = 1.0, 1.5, 0.5


def compare_drops(spans: Sequence[Span], bars: BarFeatures, power: np.ndarray) -> tuple[Drop, ...]:
    """One ``Drop`` per drop section, in the order of time. ``power`` is the K-weighted power curve."""
    drops = [span for span in spans if span.role == "drop"]
    if not drops:
        return ()
    figures = np.array([_figures(span, bars, power) for span in drops])
    units = (figures - figures.mean(axis=0)) / np.array([_LU_PER_UNIT, _LOW_DB_PER_UNIT, _ONSETS_PER_UNIT])
    lead = units @ np.array([1.0, 1.0, 0.5])
    strength = 1.0 / (1.0 + np.exp(-0.5 * lead))
    return tuple(
        Drop(
            start_us=to_us(bars.edges_s[span.start]),
            loudness_lufs=round(float(loudness), 2),
            low_db=round(float(low), 2),
            onsets_per_beat=round(float(onsets), 2),
            strength=round(float(value), 4),
        )
        for span, (loudness, low, onsets), value in zip(drops, figures, strength, strict=True)
    )


def _figures(span: Span, bars: BarFeatures, power: np.ndarray) -> tuple[float, float, float]:
    end = min(span.end, span.start + COMPARED_BARS)
    loudness = span_lufs(power, float(bars.edges_s[span.start]), float(bars.edges_s[end]))
    low = 10 * np.log10(np.mean(10 ** (bars.low_db[span.start : end] / 10)))
    return loudness, float(low), float(np.mean(bars.onsets[span.start : end]))
