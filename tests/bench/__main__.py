"""Measure and print: the analysis (``analysis_bench``), the crate page (``web_bench``), the track page in a browser
(``track_page_bench``), the pages at 10,000 tracks (``library_bench``), publishing rules for 10,000 sheets
(``publishing_bench``), what practice says of simulated newcomers (``practice_bench``) and how soon what is weak comes
back to them (``picking_bench``)."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from tests.bench import (
    analysis_bench,
    library_bench,
    picking_bench,
    practice_bench,
    publishing_bench,
    track_page_bench,
    web_bench,
)  # fmt: skip

JSON_FILE = Path("build/bench.json")
PARTS = ("all", "analysis", "web", "page", "library", "publishing", "practice")


def main() -> int:
    """Print the figures and write ``build/bench.json``."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="What the product costs.")
    parser.add_argument("--part", choices=PARTS, default="all")
    parser.add_argument("--runs", type=int, default=analysis_bench.RUNS, help="runs of each analysis figure")
    arguments = parser.parse_args()
    document: dict[str, object] = {}
    if arguments.part in ("all", "analysis"):
        measured = analysis_bench.costs(arguments.runs)
        analysis_bench.print_costs(measured)
        document["analysis"] = [asdict(cost) | {"ratio": cost.ratio} for cost in measured]
        lengths = analysis_bench.scaling()
        analysis_bench.print_scaling(lengths)
        document["scaling"] = [asdict(length) for length in lengths]
    if arguments.part in ("all", "page"):
        figures = track_page_bench.track_page()
        track_page_bench.print_figures(figures)
        document["track page"] = [asdict(figure) for figure in figures]
    if arguments.part in ("all", "web"):
        loads = web_bench.crate_page()
        heads = f"{'requests/s':>11}{'p50 ms':>9}{'p95 ms':>9}{'errors':>8}"
        print(f"\n{web_bench.CLIENTS} clients, {web_bench.TRACKS} tracks{'':<8}{heads}")
        for page, load in loads.items():
            print(f"{page:<24}{load.requests_per_s:11.1f}{load.p50_ms:9.1f}{load.p95_ms:9.1f}{load.errors:8d}")
        document["web"] = {page: asdict(load) for page, load in loads.items()}
    if arguments.part in ("all", "library"):
        times = library_bench.library()
        library_bench.print_times(times)
        document["library"] = [asdict(one) | {"met": one.met} for one in times]
    if arguments.part in ("all", "publishing"):
        publications = publishing_bench.publishing()
        publishing_bench.print_publishing(publications)
        document["publishing"] = [asdict(one) for one in publications]
    if arguments.part in ("all", "practice"):
        tables = [table() for table in (*practice_bench.TABLES, picking_bench.weak_slot)]
        for one in tables:
            print("", *one.lines(), sep="\n")
        document["practice"] = [asdict(one) for one in tables]
    JSON_FILE.parent.mkdir(parents=True, exist_ok=True)
    JSON_FILE.write_text(json.dumps(document, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
