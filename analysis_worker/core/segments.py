"""Pieces of a grid: where one tempo ends and the next begins.

Task: given pulses that follow the music (``following``), find the fewest straight lines that explain them, or say that
no lines do because a drummer is free.

Method: the music's place at every fourth pulse is measured by folding; one robust line is drawn through all places and
cut in two where that lowers the truncated squared error by more than a cut costs, again and again (minimum description
length; design A5). Pieces shorter than 32 pulses, or with less than 60 % of their places near the line, are no pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.folding import Line, fit_line, measure_at, weighted_median
from analysis_worker.core.tempo import Events

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_STRETCH = 8
_NOISE_S = 0.0025
"""Spread of the places about their line in steady music (measured: 0.2-1 ms; a fill or an off-beat bass adds more)."""

_TRUNCATE = 9.0
_CUT_COST = 30.0
_MIN_PLACES = 8
_NEAR_S = 0.005
_MIN_SHARE = 0.6
_MAX_SPREAD_S = 0.0015
"""Half of the places of a piece lie nearer than this (measured: 0.1-0.8 ms where the tempo is even, 2 ms and more with
drummers whose tempo wanders by 0.3 %)."""

_ROUNDS = 10
_TRIED_CUTS = 40
_COVER = 0.7
"""Pieces must cover this share of the pulses, else the whole recording counts as free."""

_SNAP_TO_CROSSING = 12.0
"""Two lines that cross within so many pulses of the cut meet there: a tempo change without a gap."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Pulses ``first`` to ``last`` (exclusive) lie on ``line``, pulse ``i`` at ``origin_s + i * period_s``."""

    first: int
    last: int
    line: Line


def find_pieces(events: Events, pulses_s: Floats) -> tuple[Piece, ...]:
    """The pieces that a chain of pulses is made of, in order; empty where straight lines do not explain it."""
    index = np.arange(len(pulses_s), dtype=np.float64)
    period_s = float(np.median(np.diff(pulses_s)))
    places = measure_at(events, np.interp(events.times_s, pulses_s, index), period_s, _STRETCH)
    if len(places.centres) < 2 * _MIN_PLACES:
        return ()
    x = places.centres
    y = np.interp(x, index, pulses_s) + places.lags_s
    weights = places.weights * (places.likeness > 0.3) + 1e-6
    spans = _split(x, y, weights, 0, len(x))
    pieces = []
    for start, stop in spans:
        line, share, spread_s = _line(x[start:stop], y[start:stop], weights[start:stop])
        if stop - start >= _MIN_PLACES and share >= _MIN_SHARE and spread_s < _MAX_SPREAD_S:
            first = 0 if start == 0 else round(float(x[start - 1] + x[start]) / 2)
            last = len(pulses_s) if stop == len(x) else round(float(x[stop - 1] + x[stop]) / 2)
            pieces.append(_refined(events, Piece(first, last, line)))
    if sum(piece.last - piece.first for piece in pieces) < _COVER * len(pulses_s):
        return ()
    return _joined(pieces)


def lay(pieces: tuple[Piece, ...], pulses_s: Floats) -> Floats:
    """The pulses, on their lines where a piece holds them and as they were between pieces."""
    result = pulses_s.copy()
    for piece in pieces:
        inside = np.arange(piece.first, piece.last)
        result[piece.first : piece.last] = piece.line.origin_s + inside * piece.line.period_s
    return np.asarray(np.maximum.accumulate(result), dtype=np.float64)


def _split(x: Floats, y: Floats, weights: Floats, start: int, stop: int) -> list[tuple[int, int]]:
    """Spans of places, each explained by one line."""
    if stop - start < 2 * _MIN_PLACES:
        return [(start, stop)]
    span = slice(start, stop)
    step = max(1, (stop - start) // _TRIED_CUTS)
    whole = float(_fit(x[span], y[span], weights[span][None])[2][0])
    coarse = np.arange(start + _MIN_PLACES, stop - _MIN_PLACES + 1, step)
    best = int(coarse[_cut_costs(x, y, weights, start, stop, coarse).argmin()])
    fine = np.arange(max(best - step, start + _MIN_PLACES), min(best + step, stop - _MIN_PLACES) + 1)
    costs = _cut_costs(x, y, weights, start, stop, fine)
    if whole - float(costs.min()) < _CUT_COST:
        return [(start, stop)]
    cut = int(fine[costs.argmin()])
    return _split(x, y, weights, start, cut) + _split(x, y, weights, cut, stop)


def _cut_costs(x: Floats, y: Floats, weights: Floats, start: int, stop: int, cuts: Ints) -> Floats:
    """Cost of two lines in place of one, for each place to cut."""
    span = slice(start, stop)
    before = np.arange(start, stop)[None, :] < cuts[:, None]
    total: Floats = np.zeros(len(cuts))
    for side in (before, ~before):
        total = total + _fit(x[span], y[span], weights[span] * side)[2]
    return total


def _fit(x: Floats, y: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Offset, slope and truncated squared error of a robust line for each row of weights (rows, places)."""
    middle = (weights @ x) / weights.sum(axis=1)
    centred = x[None, :] - middle[:, None]
    w = weights
    level, slope = np.zeros(len(w)), np.zeros(len(w))
    for _ in range(_ROUNDS):
        total = w.sum(axis=1)
        mean_x, mean_y = (w * centred).sum(axis=1) / total, (w @ y) / total
        off = centred - mean_x[:, None]
        slope = (w * off * y).sum(axis=1) / np.maximum((w * off**2).sum(axis=1), 1e-12)
        level = mean_y - slope * mean_x
        residual = np.abs(y[None, :] - level[:, None] - slope[:, None] * centred)
        # Cauchy's weights: unlike Huber's they let go of a whole breakdown that lies elsewhere.
        w = weights / (1.0 + (residual / (2 * _NOISE_S)) ** 2)
    error = (weights * np.minimum((residual / _NOISE_S) ** 2, _TRUNCATE)).sum(axis=1)
    return level - slope * middle, slope, error


def _line(x: Floats, y: Floats, weights: Floats) -> tuple[Line, float, float]:
    """The line of a span, the share of its places near it, and their median distance from it."""
    level, slope, _ = _fit(x, y, weights[None])
    line = Line(float(level[0]), float(slope[0]))
    distance = np.abs(y - line.origin_s - line.period_s * x)
    near = distance < _NEAR_S
    return line, float(weights[near].sum() / weights.sum()), weighted_median(distance[near], weights[near])


def _refined(events: Events, piece: Piece) -> Piece:
    """The piece with its period from a fold of its own onsets; its middle stays where it is."""
    line = piece.line
    middle = (piece.first + piece.last) / 2
    inside = events.between(line.origin_s + piece.first * line.period_s, line.origin_s + piece.last * line.period_s)
    fitted, stretches = fit_line(inside, line)
    if stretches.share_within(_NEAR_S) < _MIN_SHARE or abs(fitted.period_s / line.period_s - 1) > 0.005:
        return piece
    shift = (line.period_s - fitted.period_s) * middle
    return Piece(piece.first, piece.last, Line(line.origin_s + shift, fitted.period_s))


def _joined(pieces: list[Piece]) -> tuple[Piece, ...]:
    """Neighbours meet where their lines cross, if that is near the cut."""
    result = pieces[:1]
    for piece in pieces[1:]:
        before = result[-1]
        steeper = piece.line.period_s - before.line.period_s
        if abs(steeper) > 1e-7 and before.last == piece.first:
            crossing = (before.line.origin_s - piece.line.origin_s) / steeper
            if abs(crossing - piece.first) < _SNAP_TO_CROSSING:
                cut = round(float(crossing))
                result[-1] = Piece(before.first, cut, before.line)
                piece = Piece(cut, piece.last, piece.line)
        result.append(piece)
    return tuple(result)
