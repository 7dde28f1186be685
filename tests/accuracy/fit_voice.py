"""Fit where a track is likely vocal: ``python -m tests.accuracy.fit_voice`` writes ``core/voice_weights.json`` anew.

Material: the pieces of ``vocal_sketches``, the tune half of the generated tracks and more of the same for practice, and
the corpus of modules, none of which has a voice as far as is known; the report half is left to measure on. Bars are the
true ones. The model is a small network with a quadratic penalty (``network.fit_odds``); a bar of a module counts three
times, since they alone are real music. Figures printed are from cross-validation in four parts, by piece.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass

import numpy as np
import soundfile
from numpy.typing import NDArray

from analysis_worker.core import voice
from analysis_worker.core.network import Network
from analysis_worker.core.residual import frame_cues, spectra_of
from tests.accuracy import material
from tests.accuracy.network import fit_odds
from tests.accuracy.vocal_sketches import vocal_sketch

SKETCHES = 260
PRACTICE = 120
HIDDEN, PENALTY = 16, 15.0
"""The best in cross-validation of 1 to 16 units and penalties of 5 to 100; with one unit generated tracks have F 0.83,
with these 0.88, and 12 units with 5 do alike."""
FOLDS = 4
_OF_MODULES = 3

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
    parser.add_argument("--practice", type=int, default=PRACTICE, help="number of tracks for practice")
    parser.add_argument("--dry", action="store_true", help="print the figures, write nothing")
    arguments = parser.parse_args()
    pieces = [*sketches(arguments.sketches), *tracks(arguments.practice)]
    print_figures(pieces)
    if not arguments.dry:
        network, lean = fit(pieces)
        document = {"numbers": list(voice.NUMBERS), "network": network.to_document(), "bias": round(lean, 4)}
        voice.WEIGHTS.write_text(json.dumps(document) + "\n", encoding="utf-8")


def sketches(count: int) -> list[Piece]:
    """Pieces of ``vocal_sketches``."""
    made = []
    for seed in range(count):
        piece = vocal_sketch(seed)
        found = _piece(f"{seed}-{piece.trap}", "sketch", piece.samples, piece.edges_s, piece.vocal, 4)
        made += [found] if found else []
    return made


def tracks(practice: int) -> list[Piece]:
    """The tune half of the generated tracks, some for practice, and the corpus as far as it is there."""
    made = []
    for track in [*material.synthetic("tune"), *material.practice(0, practice), *material.real()]:
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


def fit(pieces: list[Piece]) -> tuple[Network, float]:
    """The network and its bias."""
    counted = [piece for piece in pieces for _ in range(_OF_MODULES if piece.kind == "module" else 1)]
    numbers = np.concatenate([voice.in_context(piece.cues) for piece in counted])
    vocal = np.concatenate([piece.vocal for piece in counted])
    return fit_odds(numbers, vocal, hidden=HIDDEN, ridge=PENALTY, seed=0)


def print_figures(pieces: list[Piece]) -> None:
    """By who made the pieces: F over time, and false regions a minute; then how far confidence can be trusted."""
    odds: dict[str, Array] = {}
    for held in range(FOLDS):
        network, lean = fit([piece for n, piece in enumerate(pieces) if n % FOLDS != held])
        for piece in pieces[held::FOLDS]:
            odds[piece.kind + piece.name] = network.score(voice.in_context(piece.cues)) + lean
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


if __name__ == "__main__":
    main()
