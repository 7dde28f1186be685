"""Energy from 0 to 1 for each bar: how much is going on, within one track.

Half of it is loudness (0 at 20 LU below the track's loud bars, 1 at them), three tenths the low end (0 at 24 dB below
the track's strong low end, 1 at it), two tenths the density of attacks (against the track's busy bars). "Loud",
"strong" and "busy" are 95th percentiles over bars, so one odd bar does not set the scale. The weights are a choice of
this product.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.features import BarFeatures
from analysis_worker.core.units import SILENCE_DB, ramp

_LOUDNESS, _LOW_END, _DENSITY = 0.5, 0.3, 0.2
_LOUDNESS_RANGE_LU = 20.0
_LOW_RANGE_DB = 24.0


def bar_energy(bars: BarFeatures) -> NDArray[np.float64]:
    """One value per bar; all 0 for silence."""
    if not len(bars):
        return np.zeros(0)
    loud, strong = float(np.percentile(bars.level_db, 95)), float(np.percentile(bars.low_db, 95))
    if float(np.max(bars.level_db)) <= SILENCE_DB + 20.0:
        return np.zeros(len(bars))
    busy = max(float(np.percentile(bars.onsets, 95)), 1e-9)
    energy: NDArray[np.float64] = (
        _LOUDNESS * ramp(bars.level_db, loud - _LOUDNESS_RANGE_LU, loud)
        + _LOW_END * ramp(bars.low_db, strong - _LOW_RANGE_DB, strong)
        + _DENSITY * ramp(bars.onsets, 0.0, busy)
    )
    return energy
