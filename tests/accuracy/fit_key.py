"""Fit the key profile: ``python -m tests.accuracy.fit_key`` writes ``analysis_worker/core/key_profile.py`` anew.

The material is the pieces of ``sketches``, whose keys are known; no generated track of ``make accuracy`` and no real
one is used, so those remain to measure on. The model is a multinomial logistic regression over the 24 keys in which all
tonics share their weights: each piece is seen from all twelve tonics, which is the same as fitting on all its
transpositions. For one piece in eight the phrases are not told, for one in eight wrongly, since a grid may fail. A
quadratic penalty keeps weights small; it is left off the two correlations with published profiles, so
that these carry what they can and the degrees add the rest. Figures printed are from cross-validation in four parts.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import mir_eval
import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from analysis_worker.core import key
from analysis_worker.core.pitches import pitches_of
from tests.accuracy.sketches import RATE, sketch

PROFILE = Path("analysis_worker/core/key_profile.py")
COUNT = 2_000
PENALTY = 3e-3  # cross-validation: 3e-3 slightly better than 1e-3
FOLDS = 4
WIDE = 72  # six profiles of twelve
_NAMES = [" ".join(key.name_of(index)) for index in range(24)]
_SAME = {"Ab minor": "G# minor", "Db minor": "C# minor", "C# major": "Db major"}

Array = NDArray[np.float64]


def main() -> None:
    """Make the pieces, fit, print the figures of cross-validation, write the profile."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.fit_key", description="Fit the key profile.")
    parser.add_argument("--count", type=int, default=COUNT, help="number of pieces")
    parser.add_argument("--dry", action="store_true", help="print the figures, write nothing")
    arguments = parser.parse_args()
    six, published, truth = material(arguments.count)
    probabilities = np.zeros((len(truth), 24))
    part = np.arange(len(truth)) % FOLDS
    for held in range(FOLDS):
        fitted = fit(six[part != held], published[part != held], truth[part != held])
        probabilities[part == held] = predict(fitted, six[part == held], published[part == held])
    print_figures(truth, probabilities, published)
    if not arguments.dry:
        PROFILE.write_text(_printed(fit(six, published, truth), arguments.count), encoding="utf-8")


def material(count: int) -> tuple[Array, Array, NDArray[np.int64]]:
    """Profiles (count, 6, 12), correlations with published ones (count, 2, 24), and the numbers of the keys."""
    six, published, truth = [], [], []
    for seed in range(count):
        piece = sketch(seed)
        found = key.profiles(pitches_of(piece.samples, RATE), phrases_told(piece.phrases_s, seed))
        six.append(found)
        published.append(key.correlations(found[0]))
        truth.append(_NAMES.index(_SAME.get(piece.key, piece.key)))
    return np.array(six), np.array(published), np.array(truth)


def phrases_told(phrases_s: Array, seed: int) -> Array:
    """What is told of the phrases of a piece: nothing for one in eight, wrong lines for one in eight."""
    if seed % 8 == 0 or not len(phrases_s):
        return np.zeros(0)
    if seed % 8 == 1:
        length_s = float(np.diff(phrases_s)[0]) if len(phrases_s) > 1 else 16.0
        return np.asarray(phrases_s + length_s * np.random.default_rng(seed).choice([0.25, 0.5, 0.75]))
    return phrases_s


def fit(six: Array, published: Array, truth: NDArray[np.int64]) -> Array:
    """Weights in one row: the degrees of major and minor (2 x 72), the correlations (2), the lean to minor."""
    turned = _turned(six)
    count, rows = len(truth), np.arange(len(truth))

    def loss(weights: Array) -> tuple[float, Array]:
        scores = _log_odds(weights, turned, published)
        chances = np.exp(scores - scores.max(axis=1, keepdims=True))
        chances /= chances.sum(axis=1, keepdims=True)
        degrees = weights[: 2 * WIDE]
        value = -np.mean(np.log(chances[rows, truth] + 1e-12)) + PENALTY * degrees @ degrees
        chances[rows, truth] -= 1
        off = chances.reshape(count, 2, 12) / count
        slopes = [off[:, mode].ravel() @ turned.reshape(-1, WIDE) for mode in (0, 1)]
        of_published = np.einsum("nk,nck->c", chances, published) / count
        slope = np.concatenate([*slopes, of_published, [off[:, 1].sum()]])
        slope[: 2 * WIDE] += 2 * PENALTY * degrees
        return float(value), slope

    found = optimize.minimize(loss, np.zeros(2 * WIDE + 3), jac=True, method="L-BFGS-B", options={"maxiter": 400})
    return np.asarray(found.x)


def predict(weights: Array, six: Array, published: Array) -> Array:
    """Probabilities of the 24 keys, shape (pieces, 24)."""
    scores = _log_odds(weights, _turned(six), published)
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def print_figures(truth: NDArray[np.int64], probabilities: Array, published: Array) -> None:
    """Scores of the fit and of the published profiles alone, and how far confidence can be trusted."""
    for label, scores in (
        ("fitted", probabilities),
        ("Krumhansl & Kessler", published[:, 0]),
        ("Temperley", published[:, 1]),
    ):
        said = scores.argmax(axis=1)
        weighted = [mir_eval.key.weighted_score(_NAMES[a], _NAMES[b]) for a, b in zip(truth, said, strict=True)]
        print(f"{label:20}  weighted {np.mean(weighted):.3f}  exact {np.mean(said == truth):.3f}")
    best, right = probabilities.max(axis=1), probabilities.argmax(axis=1) == truth
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        inside = (best >= low) & (best < high)
        if np.any(inside):
            said, was = best[inside].mean(), right[inside].mean()
            print(f"confidence {low:.1f}-{min(high, 1):.1f}: said {said:.2f}, right {was:.2f}")


def _turned(six: Array) -> Array:
    """The profiles seen from each tonic, shape (pieces, 12, 72)."""
    return np.stack([np.roll(six, -tonic, axis=2).reshape(len(six), WIDE) for tonic in range(12)], axis=1)


def _log_odds(weights: Array, turned: Array, published: Array) -> Array:
    scores = np.einsum("c,nck->nk", weights[2 * WIDE : 2 * WIDE + 2], published)
    scores[:, :12] += turned @ weights[:WIDE]
    scores[:, 12:] += turned @ weights[WIDE : 2 * WIDE] + weights[-1]
    return np.asarray(scores)


def _printed(weights: Array, count: int) -> str:
    lines = [
        '"""Weights of the key profile, written by ``python -m tests.accuracy.fit_key`` '
        f"from {count} pieces: do not edit.",
        "",
        "``DEGREES``: for major and minor, a row each for all notes, the bass, both at phrase starts, both at the end;",
        "columns are semitones above the tonic. ``CORRELATIONS``: weights of Krumhansl & Kessler's and Temperley's",
        "profiles. ``MINOR``: the lean to minor.",
        '"""',
        "",
        "from __future__ import annotations",
        "",
        f"CORRELATIONS = ({weights[-3]:.3f}, {weights[-2]:.3f})",
        f"MINOR = {weights[-1]:.3f}",
        "DEGREES = (",
    ]
    for mode in (0, 1):
        lines.append("    (")
        for row in weights[WIDE * mode : WIDE * (mode + 1)].reshape(-1, 12):
            lines.append("        (" + ", ".join(f"{value:.2f}" for value in row) + "),")
        lines.append("    ),")
    return "\n".join([*lines, ")", ""])


if __name__ == "__main__":
    main()
