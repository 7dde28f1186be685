"""Fits the weights of ``analysis_worker.core.bar_evidence``: ``python -m tests.accuracy.fit_bars``.

Material: rhythms drawn from seeds (``rhythms``; other seeds than those the metre is fitted on), invented tracks (the
tune half and those for practice), and the ten modules of the corpus; all with their true beats. The report half is
never read.

- Downbeats: for each stretch of eight bars, the softmax over the places in the bar (conditional logistic regression,
  with ridge), so that what is fitted is what is asked.
- Sections and phrases: small networks that tell bars that begin one from bars that begin nothing, by the invented
  tracks alone (no other material says where phrases begin); the bias is set against even odds.

Printed before the weights are written: tracks whose first beat of the bar is right, each fifth measured with the
weights of the others, and the modules by weights that no module took part in. Trust: the factor by which held-out odds
must be multiplied to be least surprising (C. Guo et al., ICML 2017: temperature scaling).
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import optimize

from analysis_worker.core.bar_evidence import (
    BAR_NUMBERS,
    BEAT_NUMBERS,
    VOTE_BARS,
    WEIGHTS,
    bar_numbers,
    beat_numbers,
)
from analysis_worker.core.beat_features import measure_beats
from analysis_worker.core.network import Network
from analysis_worker.core.onsets import onset_bands
from tests.accuracy import material
from tests.accuracy.network import fit_odds
from tests.accuracy.rhythms import RATE, rhythm

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FIRST_SEED = 20_000
FOLDS = 5
_SHARE = {"real": 12.0, "synthetic": 1.0, "rhythm": 0.5}
"""How much a track counts (own choice: modules are few, rhythms are short)."""

_RIDGE = 0.1
_BAR_RIDGE = 3.0
_BAR_HIDDEN = 8
"""Bars numbered right on tracks held out: 95.5 % with 8 hidden units, 90.3 % with one; no other number was tried."""

_NEAR_S = 0.02
_SECTION_TRUST = 0.7
_PHRASE_TRUST = 0.35
"""Chosen with the costs in ``phrases`` among 60 draws on held-out invented tracks."""


@dataclass(frozen=True, slots=True)
class Case:
    """One track with its true beats: numbers of each beat and which are downbeats; of each bar, and which begin a
    section or a phrase (None where nobody says)."""

    name: str
    kind: str
    length: int
    numbers: Floats
    down: Bools
    bars: Floats | None = None
    section: Bools | None = None
    phrase: Bools | None = None


def track_case(track: material.Track) -> Case | None:
    """The case of an invented or real track, if it has a beat."""
    path, known = track.path_and_reference()
    if not known.has_beat:
        return None
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == RATE
    features = measure_beats(onset_bands(samples.mean(axis=1)), known.beats_s)
    down = _among(known.beats_s, known.downbeats_s)
    places = np.flatnonzero(down)
    numbers, length = beat_numbers(features, known.beats_per_bar), known.beats_per_bar
    if known.full is None:
        return Case(track.name, track.kind, length, numbers, down)
    bars_s = known.beats_s[places]
    section = _among(bars_s, np.array([part.start_s for part in known.full.sections]))
    phrase = _among(bars_s, known.full.phrases_s)
    return Case(track.name, track.kind, length, numbers, down, bar_numbers(features, places, length), section, phrase)


def rhythm_case(seed: int) -> Case | None:
    """The case of a rhythm; clicks have no downbeat that could be heard."""
    made = rhythm(seed)
    beats, length = len(made.beats_s), made.beats_per_bar
    if made.manner == "clicks" or beats < 6 * length:
        return None
    # A rhythm ends with a whole bar, and may begin anywhere.
    down = (np.arange(beats) - beats % length) % length == 0
    features = measure_beats(onset_bands(made.mono), made.beats_s)
    return Case(made.manner, "rhythm", length, beat_numbers(features, length), down)


def fit_downbeats(cases: Sequence[Case]) -> Floats:
    """Weights of ``BEAT_NUMBERS``: the right place in the bar against the others, by stretches of eight bars."""
    rows, right, share = [], [], []
    for case in cases:
        own = []
        step = VOTE_BARS * case.length
        for start in range(0, max(1, len(case.down) - step // 2), step):
            numbers, down = case.numbers[start : start + step], case.down[start : start + step]
            if len(down) < case.length:
                continue
            places = [down[place :: case.length].mean() for place in range(case.length)]
            if max(places) > 0.9:
                own.append((_by_place(numbers, case.length), int(np.argmax(places))))
        for table, place in own:
            rows.append(np.vstack([table, np.full((6 - len(table), table.shape[1]), np.nan)]))
            right.append(place)
            share.append(_SHARE[case.kind] / len(own))
    x, weight = np.array(rows), np.array(share)
    missing = np.isnan(x[:, :, 0])
    x = np.nan_to_num(x)
    index = np.arange(len(x))

    def loss(weights: Floats) -> tuple[float, Floats]:
        scores = np.where(missing, -1e9, x @ weights)
        odds = np.exp(scores - scores.max(axis=1, keepdims=True))
        odds /= odds.sum(axis=1, keepdims=True)
        value = -float((weight * np.log(odds[index, right] + 1e-12)).sum()) + 0.5 * _RIDGE * float(weights @ weights)
        odds[index, right] -= 1.0
        return value, np.einsum("ik,ikn->n", odds * weight[:, None], x) + _RIDGE * weights

    return np.asarray(optimize.minimize(loss, np.zeros(x.shape[2]), jac=True, method="L-BFGS-B").x)


def fit_lines(cases: Sequence[Case], what: str) -> tuple[Network, float]:
    """The network of ``BAR_NUMBERS`` and its bias: bars that begin a section (a phrase inside one) against all that
    begin nothing."""
    xs, ys = [], []
    for case in cases:
        if case.bars is None or case.section is None or case.phrase is None:
            continue
        asked = case.section if what == "section" else case.phrase & ~case.section
        kept = asked | ~case.phrase
        kept[0] = False
        xs.append(case.bars[kept])
        ys.append(asked[kept])
    true = np.concatenate(ys)
    network, bias = fit_odds(np.vstack(xs), true, hidden=_BAR_HIDDEN, ridge=_BAR_RIDGE, seed=0)
    return network, float(bias - np.log(true.mean() / (1.0 - true.mean())))


def best_trust(held_out: Sequence[tuple[Floats, int]]) -> float:
    """The factor at which the right places of held-out tracks are least surprising."""

    def surprise(log_trust: float) -> float:
        total = 0.0
        for scores, place in held_out:
            scaled = scores * np.exp(log_trust)
            total -= float(scaled[place] - np.logaddexp.reduce(scaled))
        return total

    return float(np.exp(optimize.minimize_scalar(surprise, bounds=(-3.0, 3.0), method="bounded").x))


def _among(times_s: Floats, places_s: Floats) -> Bools:
    return np.array([bool(np.min(np.abs(places_s - time)) < _NEAR_S) for time in times_s])


def _by_place(values: Floats, length: int) -> Floats:
    return np.array([values[place::length].mean(axis=0) for place in range(length)])


def _scores(case: Case, weights: Floats) -> tuple[Floats, int] | None:
    """Mean evidence of each place in the bar and the right place; None where the bars were cut."""
    right = [case.down[place :: case.length].mean() for place in range(case.length)]
    return (_by_place(case.numbers @ weights, case.length), int(np.argmax(right))) if max(right) > 0.9 else None


def _print_share(title: str, scored: Sequence[tuple[Floats, int] | None]) -> None:
    rights = [int(found[0].argmax()) == found[1] for found in scored if found is not None]
    print(f"{title}: {sum(rights)} of {len(rights)} right ({np.mean(rights) if rights else 0:.3f})", flush=True)


def main() -> int:
    """Measure, cross-validate, fit on everything, write the weights."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.fit_bars", description="Fit the bars.")
    parser.add_argument("--rhythms", type=int, default=700)
    parser.add_argument("--practice", type=int, default=300)
    parser.add_argument("--dry", action="store_true", help="measure only, write no weights")
    arguments = parser.parse_args()
    tracks = [*material.synthetic("tune"), *material.practice(0, arguments.practice), *material.real()]
    seeds = range(FIRST_SEED, FIRST_SEED + arguments.rhythms)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = [*pool.map(track_case, tracks), *pool.map(rhythm_case, seeds, chunksize=8)]
    cases = [case for case in found if case is not None]
    scored: list[tuple[Case, tuple[Floats, int] | None]] = []
    for fold in range(FOLDS):
        weights = fit_downbeats([case for place, case in enumerate(cases) if place % FOLDS != fold])
        scored += [(case, _scores(case, weights)) for case in cases[fold::FOLDS]]
    for kind in _SHARE:
        _print_share(f"{kind}, held out", [found for case, found in scored if case.kind == kind])
    bare = fit_downbeats([case for case in cases if case.kind != "real"])
    _print_share("modules, with no module in the fit", [_scores(case, bare) for case in cases if case.kind == "real"])
    trust = best_trust([found for _, found in scored if found is not None])
    print(f"trust in downbeats: {trust:.3f}")
    if not arguments.dry:
        document = {
            "fitted_by": "python -m tests.accuracy.fit_bars",
            "downbeat": {
                "numbers": list(BEAT_NUMBERS),
                "weights": fit_downbeats(cases).round(4).tolist(),
                "trust": round(trust, 3),
            },
            "section": _lines(cases, "section", _SECTION_TRUST),
            "phrase": _lines(cases, "phrase", _PHRASE_TRUST),
        }
        WEIGHTS.write_text(json.dumps(document) + "\n", encoding="utf-8")
    return 0


def _lines(cases: Sequence[Case], what: str, trust: float) -> dict[str, object]:
    network, bias = fit_lines(cases, what)
    return {
        "numbers": list(BAR_NUMBERS),
        "network": network.to_document(),
        "bias": round(bias, 4),
        "trust": trust,
    }


if __name__ == "__main__":
    raise SystemExit(main())
