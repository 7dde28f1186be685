"""A small network with fitted weights: numbers of one thing in, one score out.

Weights come from the recipes in ``tests/accuracy`` (``fit_metre``, ``fit_bars``, ``fit_voice``), which say what they
were fitted on; they are kept as JSON beside the modules that use them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST = 4.0
"""Numbers count up to so many standard deviations from the usual."""


@dataclass(frozen=True, slots=True)
class Network:
    """Inputs are centred and scaled, one hidden layer of tanh units, a linear path beside it."""

    middle: Floats
    scale: Floats
    hidden: Floats
    hidden_bias: Floats
    out: Floats
    direct: Floats

    def score(self, numbers: Floats) -> Floats:
        """Scores of things, numbers of shape (things, numbers of each)."""
        x = np.clip((numbers - self.middle) / self.scale, -MOST, MOST)
        result: Floats = np.tanh(x @ self.hidden + self.hidden_bias) @ self.out + x @ self.direct
        return result

    def to_document(self) -> dict[str, Any]:
        """Plain lists, rounded to four places."""
        return {field.name: getattr(self, field.name).round(4).tolist() for field in fields(self)}


def network_of(document: Mapping[str, Sequence[Any]]) -> Network:
    """The network of ``to_document``; raises ``KeyError`` where a part is missing."""
    return Network(**{field.name: np.asarray(document[field.name], dtype=np.float64) for field in fields(Network)})
