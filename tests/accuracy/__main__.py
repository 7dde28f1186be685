"""Measure the analysis: ``python -m tests.accuracy --help`` names the ways to run it."""

from __future__ import annotations

import argparse
import sys

from tests.accuracy import material, report
from tests.accuracy.run import measure_all


def main() -> int:
    """Measure, print, write ``build/accuracy.json``; with ``--check`` exit 1 where a goal is missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description="Measure the analysis.")
    parser.add_argument("--jobs", type=int, default=1, help="tracks measured side by side (each about 1 GB)")
    parser.add_argument("--part", choices=("all", "grid"), default="all", help="grid: beats and bars only")
    parser.add_argument("--kind", choices=("all", "synthetic", "real"), default="all")
    parser.add_argument("--half", choices=("tune", "report", "both"), default="report", help="of the invented tracks")
    parser.add_argument("--limit", type=int, default=0, help="only so many tracks of each kind")
    parser.add_argument("--only", default="", help="only tracks whose name holds this")
    parser.add_argument("--no-baseline", action="store_true")
    parser.add_argument("--check", action="store_true", help="exit 1 where a goal is missed")
    arguments = parser.parse_args()
    real = material.real()
    if not real and arguments.kind != "synthetic":
        print("The real tracks are not here and are left out: make corpus fetches and renders them.")
    invented = material.synthetic(None if arguments.half == "both" else arguments.half)
    tracks = [
        track
        for tracks in (invented, real)
        for track in tracks[: arguments.limit or None]
        if arguments.only in track.name and arguments.kind in ("all", track.kind)
    ]
    if not tracks:
        print(f"No track is called {arguments.only!r}.", file=sys.stderr)
        return 2
    report.print_header()
    rows = []
    with_baseline = not arguments.no_baseline
    for row in measure_all(tracks, part=arguments.part, with_baseline=with_baseline, jobs=arguments.jobs):
        report.print_row(row)
        rows.append(row)
    rows.sort(key=lambda row: (row.kind, row.name))
    kinds = report.summary(rows)
    report.print_summary(kinds)
    report.write_json(rows, kinds)
    missed = [f for content in kinds.values() for f in content["figures"].values() if f["met"] is False]
    return 1 if arguments.check and missed else 0


if __name__ == "__main__":
    sys.exit(main())
