"""Fit where a track is likely vocal: ``python -m tests.accuracy.fit_voice`` writes ``core/voice_weights.py`` anew.

Material: the pieces of ``vocal_sketches``, the tune half of the generated tracks, and the corpus of modules, none of
which has a voice as far as is known; the report half is left to measure on. Bars are the true ones. The model is a
logistic regression with a quadratic penalty; a bar of a module counts three times, since they alone are real music.
Figures printed are from cross-validation in four parts, by piece.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import optimize

from analysis_worker.core import voice
from analysis_worker.core.residual import frame_cues, spectra_of
from tests.accuracy import material
from tests.accuracy.vocal_sketches import vocal_sketch

WEIGHTS = Path("analysis_worker/core/voice_weights.py")
SKETCHES = 200
PENALTY = 1e-3  # of 1e-2, 1e-3 and 1e-4 the best in cross-validation
FOLDS = 4
_OF_MODULES = 3.0

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Piece:
    """Cues of its bars (bars, CUES), whether each is vocal, its bar lines, and who made it."""

    name: str
    kind: str
    cues: Array
    vocal: NDArray[np.bool_]
    edges_s: Array


def main() -> None:
    """Collect the pieces, fit, print the figures of cross-validation, write the weights."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.fit_voice", description="Fit the voice model.")
    parser.add_argument("--sketches", type=int, default=SKETCHES, help="number of sketches")
    parser.add_argument("--dry", action="store_true", help="print the figures, write nothing")
    arguments = parser.parse_args()
    pieces = [*sketches(arguments.sketches), *tracks()]
    print_figures(pieces)
    if not arguments.dry:
        WEIGHTS.write_text(_printed(fit(pieces)), encoding="utf-8")


def sketches(count: int) -> list[Piece]:
    """Pieces of ``vocal_sketches``."""
    made = []
    for seed in range(count):
        piece = vocal_sketch(seed)
        found = _piece(f"{seed}-{piece.trap}", "sketch", piece.samples, piece.edges_s, piece.vocal, 4)
        made += [found] if found else []
    return made


def tracks() -> list[Piece]:
    """The tune half of the generated tracks, and the corpus as far as it is there."""
    made = []
    for track in [*material.synthetic("tune"), *material.real()]:
        path, reference = track.path_and_reference()
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        edges_s = np.append(reference.downbeats_s, len(samples) / rate)
        edges_s = edges_s[np.concatenate([[True], np.diff(edges_s) > 0.5])]
        sung = reference.full.voice if reference.full else ()
        vocal = np.array([_sung(sung, *edges_s[bar : bar + 2]) for bar in range(len(edges_s) - 1)], dtype=bool)
        kind = "generated" if reference.full else "module"
        found = _piece(track.name, kind, samples.mean(axis=1), edges_s, vocal, reference.beats_per_bar)
        made += [found] if found else []
    return made


def fit(pieces: list[Piece]) -> tuple[Array, Array, Array, float]:
    """Means and spreads by which cues are scaled, their weights, and the lean."""
    cues = np.concatenate([voice.in_context(piece.cues) for piece in pieces])
    vocal = np.concatenate([piece.vocal for piece in pieces])
    counts = np.concatenate(
        [np.full(len(piece.vocal), _OF_MODULES if piece.kind == "module" else 1.0) for piece in pieces]
    )
    means, spreads = cues.mean(axis=0), cues.std(axis=0) + 1e-9
    scaled = (cues - means) / spreads
    sign = np.where(vocal, 1.0, -1.0)

    def loss(weights: Array) -> tuple[float, Array]:
        odds = scaled @ weights[:-1] + weights[-1]
        value = np.average(np.logaddexp(0, -sign * odds), weights=counts) + PENALTY * weights[:-1] @ weights[:-1]
        slope = -sign / (1 + np.exp(np.clip(sign * odds, -50, 50))) * counts / counts.sum()
        return float(value), np.append(slope @ scaled + 2 * PENALTY * weights[:-1], slope.sum())

    found = optimize.minimize(loss, np.zeros(scaled.shape[1] + 1), jac=True, method="L-BFGS-B").x
    return means, spreads, found[:-1], float(found[-1])


def print_figures(pieces: list[Piece]) -> None:
    """By who made the pieces: F over time, and false regions a minute; then how far confidence can be trusted."""
    odds: dict[str, Array] = {}
    for held in range(FOLDS):
        means, spreads, weights, lean = fit([piece for n, piece in enumerate(pieces) if n % FOLDS != held])
        for piece in pieces[held::FOLDS]:
            odds[piece.kind + piece.name] = (voice.in_context(piece.cues) - means) / spreads @ weights + lean
    for kind in ("sketch", "generated", "module"):
        hit_s = said_s = true_s = whole_s = 0.0
        false = 0
        for piece in (piece for piece in pieces if piece.kind == kind):
            lengths_s = np.diff(piece.edges_s)
            said = np.zeros(len(piece.vocal), dtype=bool)
            for first, last in voice.regions_of(odds[piece.kind + piece.name]):
                said[first:last] = True
                false += not np.any(piece.vocal[first:last])
            hit_s += lengths_s[said & piece.vocal].sum()
            said_s, true_s = said_s + lengths_s[said].sum(), true_s + lengths_s[piece.vocal].sum()
            whole_s += lengths_s.sum()
        f_measure = 2 * hit_s / max(said_s + true_s, 1e-9)
        precision, recall = hit_s / max(said_s, 1e-9), hit_s / max(true_s, 1e-9)
        print(f"{kind:10} F {f_measure:.3f} precision {precision:.3f} recall {recall:.3f}", end=" ")
        print(f"false regions a minute {60 * false / max(whole_s, 1e-9):.3f}")
    chances = 1 / (1 + np.exp(-np.concatenate([odds[piece.kind + piece.name] for piece in pieces])))
    vocal = np.concatenate([piece.vocal for piece in pieces])
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        inside = (chances >= low) & (chances < low + 0.2)
        print(f"bars at {low:.1f}-{low + 0.2:.1f}: said {chances[inside].mean():.2f}, vocal {vocal[inside].mean():.2f}")


def _piece(
    name: str, kind: str, mono: NDArray[np.float32], edges_s: Array, vocal: NDArray[np.bool_], beats_per_bar: int
) -> Piece | None:
    frames = frame_cues(spectra_of(mono, 44_100), edges_s)
    if frames is None:
        return None
    return Piece(name, kind, voice.bar_cues(frames, edges_s, beats_per_bar), vocal, edges_s)


def _sung(regions: tuple[tuple[float, float], ...], start_s: float, end_s: float) -> bool:
    heard_s = sum(max(0.0, min(end, end_s) - max(start, start_s)) for start, end in regions)
    return heard_s > (end_s - start_s) / 2


def _printed(fitted: tuple[Array, Array, Array, float]) -> str:
    means, spreads, weights, lean = fitted
    lines = [
        '"""Weights of the voice model, written by ``python -m tests.accuracy.fit_voice``: do not edit.',
        "",
        "A column for each of ``voice.CUES``: of the bar, of the two beside it, of the five around it.",
        '"""',
        "",
        "from __future__ import annotations",
        "",
        f"LEAN = {lean:.3f}",
    ]
    for name, row in (("MEANS", means), ("SPREADS", spreads), ("WEIGHTS", weights)):
        lines.append(f"{name} = (")
        for start in range(0, len(row), len(voice.CUES)):
            lines.append("    *(" + ", ".join(f"{value:.4g}" for value in row[start : start + len(voice.CUES)]) + "),")
        lines.append(")")
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    main()
