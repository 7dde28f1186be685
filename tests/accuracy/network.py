"""Fits ``analysis_worker.core.network.Network`` to choices, or to yes and no, in plain numpy.

- ``fit``: one right reading among those of a track. The loss is minus the logarithm of the probability that the softmax
  over its readings gives to the right one. Optimised by Adam (Kingma & Ba 2015, its usual constants) over batches, with
  weight decay.
- ``fit_odds``: logistic loss with ridge, by L-BFGS.

Both are seeded, so that the same examples give the same weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from analysis_worker.core.network import MOST, Network

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Example:
    """Readings of one track: features (readings, features), which are right (readings,), how much the track counts, and
    the name of the material it is from."""

    name: str
    features: Floats
    right: NDArray[np.bool_]
    weight: float


def fit(examples: list[Example], *, hidden: int, decay: float, epochs: int, seed: int, rate: float = 0.004) -> Network:
    """A network fitted to the examples; those without a right reading are left out."""
    examples = [example for example in examples if example.right.any()]
    rng = np.random.default_rng(seed)
    every = np.concatenate([example.features for example in examples])
    middle, scale = every.mean(axis=0), np.maximum(every.std(axis=0), 1e-3)
    x, mask, right = _padded(examples, middle, scale)
    weight = np.array([example.weight for example in examples])
    width = x.shape[2]
    values = {
        "hidden": rng.normal(0, 0.7 / np.sqrt(width), (width, hidden)),
        "hidden_bias": rng.normal(0, 0.3, hidden),
        "out": rng.normal(0, 0.3, hidden),
        "direct": np.zeros(width),
    }
    first = {name: np.zeros_like(value) for name, value in values.items()}
    second = {name: np.zeros_like(value) for name, value in values.items()}
    step, batch = 0, 96
    steps = epochs * -(-len(x) // batch)
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for start in range(0, len(order), batch):
            rows = order[start : start + batch]
            gradients = _gradients(values, x[rows], mask[rows], right[rows], weight[rows])
            step += 1
            pace = rate * 0.5 * (1 + np.cos(np.pi * step / steps))
            for name, gradient in gradients.items():
                gradient = gradient + decay * values[name]
                first[name] = 0.9 * first[name] + 0.1 * gradient
                second[name] = 0.999 * second[name] + 0.001 * gradient**2
                scaled = first[name] / (1 - 0.9**step) / (np.sqrt(second[name] / (1 - 0.999**step)) + 1e-8)
                values[name] = values[name] - pace * scaled
    return Network(middle, scale, **values)


def fit_odds(
    numbers: Floats, true: NDArray[np.bool_], *, hidden: int, ridge: float, seed: int
) -> tuple[Network, float]:
    """A network and a bias: its score plus the bias is the log-odds that a row of ``numbers`` is true."""
    rng = np.random.default_rng(seed)
    middle, scale = numbers.mean(axis=0), np.maximum(numbers.std(axis=0), 1e-6)
    x = np.clip((numbers - middle) / scale, -MOST, MOST)
    y, width = true.astype(np.float64), x.shape[1]
    ends = np.cumsum([width * hidden, hidden, hidden, width])

    def parts(flat: Floats) -> list[Floats]:
        first, *others = np.split(flat, ends)
        return [first.reshape(width, hidden), *others]

    def loss(flat: Floats) -> tuple[float, Floats]:
        into, bias, out, direct, lean = parts(flat)
        units = np.tanh(x @ into + bias)
        odds = units @ out + x @ direct + lean
        error = 1.0 / (1.0 + np.exp(-odds)) - y
        back = np.outer(error, out) * (1.0 - units**2)
        slope = np.concatenate([(x.T @ back).ravel(), back.sum(axis=0), units.T @ error, x.T @ error, [error.sum()]])
        kept = np.append(flat[:-1], 0.0)
        return float((np.logaddexp(0.0, odds) - y * odds).sum() + 0.5 * ridge * kept @ kept), slope + ridge * kept

    start = np.zeros(ends[-1] + 1)
    start[: ends[0]] = rng.normal(0, 0.5 / np.sqrt(width), ends[0])
    start[ends[0] : ends[2]] = rng.normal(0, 0.3, 2 * hidden)
    found = optimize.minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 400}).x
    into, bias, out, direct, lean = parts(found)
    return Network(middle, scale, into, bias, out, direct), float(lean[0])


def _padded(
    examples: list[Example], middle: Floats, scale: Floats
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    longest = max(len(example.features) for example in examples)
    x = np.zeros((len(examples), longest, len(middle)))
    mask = np.zeros((len(examples), longest), dtype=bool)
    right = np.zeros((len(examples), longest), dtype=bool)
    for row, example in enumerate(examples):
        count = len(example.features)
        x[row, :count] = np.clip((example.features - middle) / scale, -MOST, MOST)
        mask[row, :count] = True
        right[row, :count] = example.right
    return x, mask, right


def _gradients(
    values: dict[str, Floats], x: Floats, mask: NDArray[np.bool_], right: NDArray[np.bool_], weight: Floats
) -> dict[str, Floats]:
    shape = x.shape
    flat = x.reshape(-1, shape[2])
    units = np.tanh(flat @ values["hidden"] + values["hidden_bias"])
    score = (units @ values["out"] + flat @ values["direct"]).reshape(shape[:2])
    score = np.where(mask, score, -1e9)
    odds = np.exp(score - score.max(axis=1, keepdims=True))
    odds /= odds.sum(axis=1, keepdims=True)
    hits = odds * right
    toward = hits / np.maximum(hits.sum(axis=1, keepdims=True), 1e-12)
    error = ((odds - toward) * (weight / weight.sum())[:, None]).ravel()
    back = (error[:, None] * values["out"]) * (1 - units**2)
    return {
        "hidden": flat.T @ back,
        "hidden_bias": back.sum(axis=0),
        "out": units.T @ error,
        "direct": flat.T @ error,
    }
