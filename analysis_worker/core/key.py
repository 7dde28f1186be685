"""Key: tonic and mode of a track, and of its parts where the key changes.

Six pitch-class profiles are read from the notes (``pitches``): of all notes and of the bass, of both at the starts of
phrases, and of both at the end. Dance music mostly begins its loops on the tonic, and a natural minor loop shares every
note with its relative major; a short piece mostly ends on the tonic. Each of the 24 keys is scored by

* how the first profile correlates with that key's profile by Krumhansl & Kessler (Psychological Review 89, 1982) and by
  Temperley (MIREX 2005), and
* weights for each degree of each profile (``key_profile``), our own profile for electronic music, fitted by
  ``python -m tests.accuracy.fit_key`` on invented pieces, which says how.

Scores are log-odds, so a softmax makes probabilities of them; the confidence is that of the key named. Alone on 48
generated dance tracks that nothing was fitted on, Krumhansl & Kessler's profiles reach a weighted score of 0.90 (and
0.82 from plain chroma in place of notes), Temperley's 0.50, all together 1.00.

Where the key changes, phrases are the grains: the best path through the keys of all phrases (Viterbi), each change at a
cost, and then only changes that both sides clearly ask for. Names are spelt as key signatures are: the side of the
circle of fifths with fewer accidentals.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.key_profile import CORRELATIONS, DEGREES, MINOR
from analysis_worker.core.pitches import LOWEST_NOTE, NOTES, Pitches
from analysis_worker.core.results import Key, KeySpan, Mode
from analysis_worker.core.units import to_us

KRUMHANSL_KESSLER = (
    (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
    (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
)
TEMPERLEY = (
    (0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400),
    (0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330),
)
MAJOR_NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
MINOR_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
"""Tonics by pitch class. With six accidentals either way, F# major and Eb minor are the usual prints."""

_QUIET = 0.1  # of the loud frames' total: what lies below is left out (no source)
_TONAL_ENOUGH = 0.1  # tonal share from which a frame counts fully: the corpus has 0.12 and more, noise 0.04 (measured)
_PHRASE_START_S = (0.1, 1.1)
"""Part of a phrase that counts as its start: after the window's smear, within the first chord of any usual tempo."""

_FLAT = 0.5  # norm of a profile's deviations, each degree 1 on average; the published profiles have 1.4 and more
_END_S = 1.1  # the last sound of a part, likewise
_CLOSE_S = 10.0  # a close names the key of what is this short; a loop that fades out ends anywhere (measured)

_GRAIN_S = 16.0  # about 8 bars at 120 BPM, where there are no phrases
_SHORTEST_SPAN_S = 24.0  # a change for less is a held chord: about 12 bars (no source)
_CHANGE_COST = 6.0  # log-odds; about one change in four hundred phrases
_CHANGE_MARGIN = 2.0  # log-odds by which each side must prefer its own key
_GRAIN_TRUST = 0.5  # phrases of one track repeat each other, so their evidence does not add up in full


@dataclass(frozen=True, slots=True)
class Keys:
    """The key of the longest part, None where nothing has a pitch, and the keys one after another."""

    main: Key | None
    spans: tuple[KeySpan, ...]


@dataclass(frozen=True, slots=True)
class _Classes:
    """Pitch classes per frame, shape (frames, 12): all notes, and the bass; weight, tonal share and time of each."""

    whole: NDArray[np.float64]
    bass: NDArray[np.float64]
    weight: NDArray[np.float64]
    tonal: NDArray[np.float32]
    times_s: NDArray[np.float64]


def estimate_keys(pitches: Pitches, duration_s: float, phrases_s: NDArray[np.float64]) -> Keys:
    """The key of a track and of its parts.

    ``phrases_s`` are the starts of phrases, empty where there is no grid.
    """
    classes = _fold(pitches)
    if not np.any(classes.weight > 0):
        return Keys(None, ())
    edges_s = _grains(duration_s, phrases_s)
    grains = [_scores(classes, phrases_s, start, end) for start, end in pairwise(edges_s.tolist())]
    heard = np.array([np.sum(_between(classes, *edges_s[k : k + 2])) for k in range(len(grains))])
    path = _path(np.array(grains), np.minimum(1.0, heard / max(float(np.median(heard)), 1e-9)))
    bounds = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
    bounds = _merged(bounds, edges_s, classes, phrases_s)
    scored = [
        (float(edges_s[a]), float(edges_s[b]), _scores(classes, phrases_s, float(edges_s[a]), float(edges_s[b])))
        for a, b in pairwise(bounds)
    ]
    spans = []
    for start_s, end_s, scores in scored:
        key = _key(scores)
        spans.append(KeySpan(to_us(start_s), to_us(end_s), key.tonic, key.mode, key.confidence))
    longest = max(range(len(scored)), key=lambda index: scored[index][1] - scored[index][0])
    return Keys(_key(scored[longest][2]), tuple(spans))


def profiles(pitches: Pitches, phrases_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The six profiles of a whole piece, shape (6, 12), each with a mean of 0: what the weights are fitted on."""
    return _profiles(_fold(pitches), phrases_s, 0.0, np.inf)


def correlations(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlations of a profile with the published ones, shape (2, 24): Krumhansl & Kessler's, Temperley's. They
    shrink where the profile is nearly flat."""
    centred = profile - profile.mean()
    norm = max(float(np.linalg.norm(centred)), _FLAT)
    found = np.zeros((2, 24))
    for row, published in enumerate((KRUMHANSL_KESSLER, TEMPERLEY)):
        for index in range(24):
            shape = np.roll(published[index // 12], index % 12)
            shape = shape - shape.mean()
            found[row, index] = centred @ shape / (norm * np.linalg.norm(shape))
    return found


def scores_of(six: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-odds of the 24 keys (majors from C, then minors) for six profiles."""
    published = correlations(six[0])
    scores = np.asarray(CORRELATIONS) @ published
    for tonic in range(12):
        turned = np.roll(six, -tonic, axis=1)
        scores[tonic] += np.sum(np.asarray(DEGREES[0]) * turned)
        scores[12 + tonic] += np.sum(np.asarray(DEGREES[1]) * turned) + MINOR
    return np.asarray(scores)


def name_of(index: int) -> tuple[str, Mode]:
    """Tonic and mode of one of the 24 keys, counted as in ``scores_of``."""
    return (MAJOR_NAMES[index], "major") if index < 12 else (MINOR_NAMES[index - 12], "minor")


def _fold(pitches: Pitches) -> _Classes:
    strengths = pitches.strengths.astype(np.float64)
    notes = LOWEST_NOTE + np.arange(NOTES)
    fold = np.zeros((NOTES, 12))
    fold[np.arange(NOTES), notes % 12] = 1.0
    totals = strengths.sum(axis=1)
    loud = float(np.percentile(totals, 95)) if len(totals) else 0.0
    heard = (totals > _QUIET * loud) & (totals > 0)
    weight = heard * np.minimum(1.0, pitches.tonal / _TONAL_ENOUGH) / np.sqrt(np.maximum(totals, 1e-9))
    return _Classes(
        strengths @ fold,
        strengths @ (fold * _bass_share(notes)[:, None]),
        weight,
        pitches.tonal,
        np.asarray(np.arange(len(strengths)) * pitches.hop_s, dtype=np.float64),
    )


def _bass_share(notes: NDArray[np.int64]) -> NDArray[np.float64]:
    """How much each note counts as bass: fully up to E2, falling to nothing at C4 (no source)."""
    return np.asarray(np.where(notes < 60, np.exp(-np.maximum(0, notes - 40) / 6.0), 0.0))


def _between(classes: _Classes, start_s: float, end_s: float) -> NDArray[np.float64]:
    inside = (classes.times_s >= start_s) & (classes.times_s < end_s)
    return np.asarray(classes.weight * inside)


def _profiles(classes: _Classes, phrases_s: NDArray[np.float64], start_s: float, end_s: float) -> NDArray[np.float64]:
    weight = _between(classes, start_s, end_s)
    starts = np.zeros(len(weight))
    for phrase_s in phrases_s[(phrases_s >= start_s - 0.01) & (phrases_s < end_s - 0.01)]:
        starts += _between(classes, phrase_s + _PHRASE_START_S[0], phrase_s + _PHRASE_START_S[1])
    if not np.any(starts):
        starts = weight  # no phrase is known here; how the sound begins told less than nothing (measured)
    heard = np.flatnonzero(weight)
    last_s = classes.times_s[heard[-1]] if len(heard) else 0.0
    ends = weight * (classes.times_s > last_s - _END_S)
    found = np.array([w @ values for w in (weight, starts, ends) for values in (classes.whole, classes.bass)])
    sums = found.sum(axis=1, keepdims=True)
    length_s = last_s - classes.times_s[heard[0]] if len(heard) else 0.0
    trust = np.array([1, 1, 1, 1, *[min(1.0, _CLOSE_S / max(length_s, _CLOSE_S))] * 2])[:, None]
    # Where there is little but noise, little is known.
    tonal = min(1.0, float(np.mean(classes.tonal[heard])) / _TONAL_ENOUGH) if len(heard) else 0.0
    return np.asarray(np.where(sums > 0, tonal * trust * (12 * found / np.maximum(sums, 1e-12) - 1.0), 0.0))


def _scores(classes: _Classes, phrases_s: NDArray[np.float64], start_s: float, end_s: float) -> NDArray[np.float64]:
    return scores_of(_profiles(classes, phrases_s, start_s, end_s))


def _grains(duration_s: float, phrases_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Edges of the grains: phrase lines, and steps of ``_GRAIN_S`` where there are none; none shorter than 4 s."""
    edges = [0.0]
    for line in [*phrases_s.tolist(), duration_s]:
        while line - edges[-1] > 2 * _GRAIN_S:
            edges.append(edges[-1] + _GRAIN_S)
        if line - edges[-1] >= 4.0:
            edges.append(line)
    if len(edges) == 1:
        return np.array([0.0, duration_s])
    edges[-1] = duration_s
    return np.array(edges)


def _path(scores: NDArray[np.float64], trust: NDArray[np.float64]) -> NDArray[np.int64]:
    """The best key for each grain, every change at a cost."""
    evidence = _GRAIN_TRUST * _log_softmax(scores) * trust[:, None]
    best = evidence[0].copy()
    back = np.zeros(scores.shape, dtype=np.int64)
    for k in range(1, len(scores)):
        jump = int(np.argmax(best))
        stays = best >= best[jump] - _CHANGE_COST
        back[k] = np.where(stays, np.arange(24), jump)
        best = np.where(stays, best, best[jump] - _CHANGE_COST) + evidence[k]
    path = np.zeros(len(scores), dtype=np.int64)
    path[-1] = int(np.argmax(best))
    for k in range(len(scores) - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def _merged(
    bounds: list[int], edges_s: NDArray[np.float64], classes: _Classes, phrases_s: NDArray[np.float64]
) -> list[int]:
    """Take out changes, the weakest first, until both sides of each one left clearly prefer their own key."""
    while len(bounds) > 2:
        sides = [
            _log_softmax(_scores(classes, phrases_s, float(edges_s[a]), float(edges_s[b]))) for a, b in pairwise(bounds)
        ]
        keys = [int(np.argmax(side)) for side in sides]
        margins = []
        for k in range(1, len(sides)):
            before, after = sides[k - 1], sides[k]
            margin = min(before[keys[k - 1]] - before[keys[k]], after[keys[k]] - after[keys[k - 1]])
            shortest_s = min(edges_s[bounds[i + 1]] - edges_s[bounds[i]] for i in (k - 1, k))
            margins.append(-1.0 if shortest_s < _SHORTEST_SPAN_S else float(margin))
        weakest = int(np.argmin(margins))
        if margins[weakest] >= _CHANGE_MARGIN:
            break
        del bounds[weakest + 1]
    return bounds


def _key(scores: NDArray[np.float64]) -> Key:
    order = np.argsort(-scores, kind="stable")
    tonic, mode = name_of(int(order[0]))
    runner_tonic, runner_mode = name_of(int(order[1]))
    confidence = round(float(np.exp(_log_softmax(scores)[order[0]])), 3)
    return Key(tonic=tonic, mode=mode, confidence=confidence, runner_up=f"{runner_tonic} {runner_mode}")


def _log_softmax(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    shifted = scores - scores.max(axis=-1, keepdims=True)
    return np.asarray(shifted - np.log(np.sum(np.exp(shifted), axis=-1, keepdims=True)))
