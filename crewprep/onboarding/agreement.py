"""How far people agree beyond what chance would bring (pure; no Django).

Both figures are 1 for full agreement and 0 for as much as chance would bring; they may fall below 0. Where everybody
says one and the same throughout there is nothing that chance could have got wrong, and no figure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from math import fsum
from typing import Literal

Metric = Literal["nominal", "interval"]


def cohen_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> float | None:
    """Agreement of two people who labelled the same items, in the same order (J. Cohen, A coefficient of agreement for
    nominal scales, Educ. Psychol. Meas. 20, 1960).

    None without items, and where both gave every item the same one label. Raises ``ValueError`` where they did not
    label equally many.
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} labels beside {len(second)}")
    items = len(first)
    agreed = sum(one == other for one, other in zip(first, second, strict=True))
    ours, theirs = Counter(first), Counter(second)
    # In whole numbers, both sides times items squared, so that a chance of 1 is told exactly.
    by_chance = sum(count * theirs[label] for label, count in ours.items())
    if by_chance == items * items:
        return None
    return (items * agreed - by_chance) / (items * items - by_chance)


def krippendorff_alpha(units: Sequence[Sequence[Hashable | None]], metric: Metric) -> float | None:
    """Agreement of any number of people, each unit being the values that they gave it; None for one not given
    (K. Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011).

    ``nominal`` tells only the same from another; ``interval`` takes numbers and weighs a difference by its square.
    Units with fewer than two values tell nothing and are left out. None without two values to compare, and where all
    are the same. Raises ``TypeError`` for what is no number in ``interval``.
    """
    spread = _spread_of_labels if metric == "nominal" else _spread_of_numbers
    given = [[value for value in unit if value is not None] for unit in units]
    pairable = [unit for unit in given if len(unit) > 1]
    values = [value for unit in pairable for value in unit]
    expected = spread(values)
    if expected == 0:
        return None
    observed = fsum(spread(unit) / (len(unit) - 1) for unit in pairable)
    return 1 - (len(values) - 1) * observed / expected


def _spread_of_labels(values: Sequence[Hashable]) -> float:
    """How many ordered pairs differ."""
    return len(values) ** 2 - sum(count * count for count in Counter(values).values())


def _spread_of_numbers(values: Sequence[Hashable]) -> float:
    """The squared differences of all ordered pairs, summed by way of the mean."""
    numbers = [_number(value) for value in values]
    if len(set(numbers)) < 2:
        return 0.0
    mean = fsum(numbers) / len(numbers)
    return 2 * len(numbers) * fsum((number - mean) ** 2 for number in numbers)


def _number(value: Hashable) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"{value!r} is no number")
    return float(value)
