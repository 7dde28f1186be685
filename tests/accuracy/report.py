"""Prints the table of figures, each with its goal, and writes them as JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.accuracy.score import Scores

JSON_FILE = Path("build/accuracy.json")


@dataclass(frozen=True, slots=True)
class Row:
    """One measured track: figures of the analysis and of the baseline."""

    name: str
    kind: str
    tempo_bpm: float
    said_bpm: float | None
    scores: Scores
    baseline: Scores | None
    took_s: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A line of the summary: its words, its goals (None where none is set), and whether smaller is better."""

    key: str
    words: str
    synthetic_goal: float | None = None
    real_goal: float | None = None
    smaller: bool = False


FIGURES = (
    Figure("tempo_aside", "tempo within 0.05 BPM, octave aside", 0.95, 0.95),
    Figure("tempo_right", "tempo within 0.05 BPM, octave right", 0.88, 0.88),
    Figure("octave_right", "octave right", 0.88, 0.88),
    Figure("tempo_top_two", "right tempo among the first two", 0.97, 0.97),
    Figure("steady_right", "steady or not told right", 0.95, 0.95),
    Figure("beat_f70", "beat F at 70 ms", 0.98, None),
    Figure("beat_f20", "beat F at 20 ms", 0.98, 0.75),
    Figure("beat_f10", "beat F at 10 ms", 0.95, None),
    Figure("beat_f20_aside", "beat F at 20 ms, octave aside", None, None),
    Figure("cmlt", "beats continuous (CMLt)", 0.97, None),
    Figure("offset_median_abs_ms", "beat offset, median of tracks' |median|, ms", 2.0, None, smaller=True),
    Figure("offset_p95_ms", "beat offset, median of tracks' p95, ms", 5.0, None, smaller=True),
    Figure("downbeat_f", "downbeat F at 70 ms", None, None),
    Figure("downbeat_phase", "downbeat phase right", 0.95, None),
    Figure("phrase_bars", "bars numbered right in their phrase", 0.90, None),
    Figure("phrase_bars_straight", "  of tracks with one phrase line throughout", None, None),
    Figure("phrase_bars_slipped", "  of tracks whose phrase line slips by 4 bars", None, None),
    Figure("boundary_hr05", "section boundaries, hit rate F at 0.5 s", 0.75, None),
    Figure("boundaries_on_patterns", "section boundaries on pattern starts (0.5 s)", None, None),
    Figure("role_time", "time with the right role", 0.80, None),
    Figure("drop_f", "drop F within a bar", 0.90, None),
    Figure("strongest_right", "strongest drop right", 0.90, None),
    Figure("key_weighted", "key, weighted", 0.73, None),
    Figure("draft_slots", "draft slots within a quarter beat", None, None),
)
_COLUMNS = (
    ("beat_f70", "F70"),
    ("beat_f20", "F20"),
    ("cmlt", "CMLt"),
    ("offset_median_ms", "off ms"),
    ("offset_p95_ms", "p95"),
    ("downbeat_f", "downF"),
    ("phrase_bars", "phrase"),
    ("boundary_hr05", "bound"),
    ("role_time", "roles"),
    ("drop_f", "drops"),
    ("key_weighted", "key"),
    ("draft_slots", "draft"),
)


def print_header() -> None:
    """Print the head of the table of tracks."""
    print(f"{'track':<24}{'true':>8}{'said':>9}  " + "".join(f"{head:>7}" for _, head in _COLUMNS) + "   s", flush=True)


def print_row(row: Row) -> None:
    """Print one track."""
    cells = "".join(_cell(row.scores.get(key), key.endswith("_ms")) for key, _ in _COLUMNS)
    said = f"{row.said_bpm:9.3f}" if row.said_bpm is not None else f"{'none':>9}"
    print(f"{row.name[:23]:<24}{row.tempo_bpm:8.3f}{said}  {cells}{row.took_s:5.1f}", flush=True)


def summary(rows: list[Row]) -> dict[str, Any]:
    """Figures by kind of track: mean (or median, for offsets), goal, whether it is met, and the baseline's."""
    kinds: dict[str, Any] = {}
    for kind in ("synthetic", "real"):
        of_kind = [row for row in rows if row.kind == kind]
        if not of_kind:
            continue
        figures = {}
        for figure in FIGURES:
            value = _gather(figure.key, [row.scores for row in of_kind])
            if value is None:
                continue
            goal = figure.synthetic_goal if kind == "synthetic" else figure.real_goal
            met = None if goal is None else bool(value <= goal if figure.smaller else value >= goal)
            base = _gather(figure.key, [row.baseline for row in of_kind if row.baseline])
            figures[figure.key] = {"words": figure.words, "value": value, "goal": goal, "met": met, "baseline": base}
        slots = sorted({key for row in of_kind for key in row.scores if key.startswith("slot_")})
        kinds[kind] = {
            "tracks": len(of_kind),
            "figures": figures,
            "slots": {slot: _gather(slot, [row.scores for row in of_kind]) for slot in slots},
        }
    return kinds


def print_summary(kinds: dict[str, Any]) -> None:
    """Print the figures of each kind beside goals and baseline."""
    for kind, content in kinds.items():
        print(f"\n{content['tracks']} {kind} tracks{'':<32}{'figure':>10}{'goal':>8}{'':>8}{'librosa':>9}")
        for figure in content["figures"].values():
            goal = "" if figure["goal"] is None else f"{figure['goal']:.2f}"
            met = {None: "", True: "met", False: "missed"}[figure["met"]]
            base = "" if figure["baseline"] is None else f"{figure['baseline']:.3f}"
            print(f"  {figure['words']:<46}{figure['value']:>10.3f}{goal:>8}{met:>8}{base:>9}")
        if content["slots"]:
            parts = ", ".join(f"{key.removeprefix('slot_')}: {value:.2f}" for key, value in content["slots"].items())
            print(f"  draft by slot: {parts}")


def write_json(rows: list[Row], kinds: dict[str, Any]) -> None:
    """Write everything to ``build/accuracy.json``."""
    tracks = [
        {
            "name": row.name,
            "kind": row.kind,
            "tempo_bpm": row.tempo_bpm,
            "said_bpm": row.said_bpm,
            "took_s": row.took_s,
            "scores": row.scores,
            "baseline": row.baseline,
        }
        for row in rows
    ]
    JSON_FILE.parent.mkdir(parents=True, exist_ok=True)
    JSON_FILE.write_text(json.dumps({"summary": kinds, "tracks": tracks}, indent=1), encoding="utf-8")


def _gather(key: str, scores: list[Scores]) -> float | None:
    if key == "offset_median_abs_ms":
        medians = [score.get("offset_median_ms") for score in scores]
        offsets = [abs(value) for value in medians if value is not None]
        return float(np.median(offsets)) if offsets else None
    values = [value for score in scores if (value := score.get(key)) is not None]
    if not values:
        return None
    return float(np.median(values) if key.endswith("_ms") else np.mean(values))


def _cell(value: float | None, is_ms: bool) -> str:
    if value is None:
        return f"{'–':>7}"
    return f"{value:7.1f}" if is_ms else f"{value:7.2f}"
