"""Measure the analysis: ``python -m tests.accuracy --help`` names the ways to run it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from multiprocessing import get_context

from tests.accuracy import estimate, material, report
from tests.accuracy.score import score


def measure(track: material.Track, *, part: str, with_baseline: bool) -> report.Row:
    """Run the analysis and the baseline on one track and compare both with what is known."""
    path, reference = track.path_and_reference()
    found = estimate.grid_alone(path) if part == "grid" else estimate.whole_analysis(path)
    base = None
    if with_baseline:
        scored = score(estimate.baseline(path), reference)
        # It answers tempo and beats only; everything else would be a zero for silence.
        base = {
            key: value for key, value in scored.items() if key.startswith(("tempo_", "octave", "beat_", "cmlt", "off"))
        }
    return report.Row(
        track.name, track.kind, reference.tempo_bpm, found.tempo_bpm, score(found, reference), base, found.took_s
    )


def main() -> int:
    """Measure, print, write ``build/accuracy.json``; with ``--check`` exit 1 where a goal is missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description="Measure the analysis.")
    parser.add_argument("--jobs", type=int, default=1, help="tracks measured side by side (each about 1 GB)")
    parser.add_argument("--part", choices=("all", "grid"), default="all", help="grid: beats and bars only")
    parser.add_argument("--kind", choices=("all", "synthetic", "real"), default="all")
    parser.add_argument("--only", default="", help="only tracks whose name holds this")
    parser.add_argument("--no-baseline", action="store_true")
    parser.add_argument("--check", action="store_true", help="exit 1 where a goal is missed")
    arguments = parser.parse_args()
    real = material.real()
    if not real and arguments.kind != "synthetic":
        print("The real tracks are not here and are left out: make corpus fetches and renders them.")
    tracks = [
        track
        for track in [*material.synthetic(), *real]
        if arguments.only in track.name and arguments.kind in ("all", track.kind)
    ]
    if not tracks:
        print(f"No track is called {arguments.only!r}.", file=sys.stderr)
        return 2
    report.print_header()
    rows = []
    work = partial(measure, part=arguments.part, with_baseline=not arguments.no_baseline)
    for row in _run(tracks, work, arguments.jobs):
        report.print_row(row)
        rows.append(row)
    rows.sort(key=lambda row: (row.kind, row.name))
    kinds = report.summary(rows)
    report.print_summary(kinds)
    report.write_json(rows, kinds)
    missed = [f for content in kinds.values() for f in content["figures"].values() if f["met"] is False]
    return 1 if arguments.check and missed else 0


def _run(tracks: list[material.Track], work: partial[report.Row], jobs: int) -> Iterator[report.Row]:
    if jobs == 1:
        yield from map(work, tracks)
        return
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for future in as_completed([pool.submit(work, track) for track in tracks]):
            yield future.result()


if __name__ == "__main__":
    sys.exit(main())
