"""Runs the analysis and the baseline over tracks, one after the other or in several processes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context

from tests.accuracy import estimate, material, report
from tests.accuracy.score import score

_OF_BASELINE = ("tempo_", "octave", "beat_", "cmlt", "offset")
"""The baseline answers tempo and beats only; everything else would be a nought for silence."""


def measure(track: material.Track, part: str, with_baseline: bool) -> report.Row:
    """Run the analysis and the baseline on one track and compare both with what is known."""
    path, reference = track.path_and_reference()
    found = estimate.grid_alone(path) if part == "grid" else estimate.whole_analysis(path)
    base = None
    if with_baseline:
        scored = score(estimate.baseline(path), reference)
        base = {key: value for key, value in scored.items() if key.startswith(_OF_BASELINE)}
    scores = score(found, reference)
    return report.Row(track.name, track.kind, reference.tempo_bpm, found.tempo_bpm, scores, base, found.took_s)


def measure_all(tracks: list[material.Track], *, part: str, with_baseline: bool, jobs: int) -> Iterator[report.Row]:
    """Measure each track; with several ``jobs`` the rows come as they are done."""
    if jobs == 1:
        for track in tracks:
            yield measure(track, part, with_baseline)
        return
    # Spawned, not forked: numeric libraries hold threads that a fork would lose.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for future in as_completed([pool.submit(measure, track, part, with_baseline) for track in tracks]):
            yield future.result()
