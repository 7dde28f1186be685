"""Prints the table of figures, each with its goal, how far confidences can be trusted, what misses share; and JSON."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.accuracy.score import Scores

JSON_FILE = Path("build/accuracy.json")


@dataclass(frozen=True, slots=True)
class Row:
    """One measured track; ``sure`` pairs confidences with how right (0 to 1) the answer was."""

    name: str
    kind: str
    tempo_bpm: float
    said_bpm: float | None
    scores: Scores
    baselines: dict[str, Scores]
    sure: dict[str, list[tuple[float, float]]]
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
    Figure("tempo_right", "tempo within 0.05 BPM, octave right, steady", 0.99, 0.96),
    Figure("tempo_aside", "tempo within 0.05 BPM, octave aside, steady"),
    Figure("tempo_error_bpm", "tempo error, 95th percentile, octave aside, BPM", 0.01, 0.01, smaller=True),
    Figure("octave_right", "octave right"),
    Figure("tempo_top_two", "right tempo among the first two", 0.97, 0.97),
    Figure("beat_f70", "beat F at 70 ms", 0.98, None),
    Figure("beat_f20", "beat F at 20 ms", 0.98, 0.96),
    Figure("beat_f10", "beat F at 10 ms"),
    Figure("beat_f20_aside", "beat F at 20 ms, octave and half beats aside"),
    Figure("cmlt", "beats continuous (CMLt)", 0.97, None),
    Figure("offset_median_abs_ms", "beat offset, median of tracks' |median|, ms", 2.0, None, smaller=True),
    Figure("offset_p95_ms", "beat offset, median of tracks' p95, ms", 5.0, None, smaller=True),
    Figure("unsteady_found", "not steady, and told so", 0.95, None),
    Figure("false_alarms", "steady, but told not to be", 0.02, 0.02, smaller=True),
    Figure("metre_right", "beats per bar right"),
    Figure("metre_right_4", "  of tracks in four"),
    Figure("metre_right_3", "  of tracks in three"),
    Figure("metre_right_6", "  of tracks in six"),
    Figure("downbeat_f", "downbeat F at 70 ms"),
    Figure("downbeat_phase", "downbeat phase right (tracks)", 0.95, 0.90),
    Figure("downbeat_sure_half", "  in the surer half of the tracks", 0.98, 0.98),
    Figure("phrase_bars", "bars numbered right in their phrase", 0.90, None),
    Figure("phrase_bars_straight", "  of tracks with one phrase line throughout"),
    Figure("phrase_bars_slipped", "  of tracks whose phrase line slips"),
    Figure("boundary_hr05", "section boundaries, hit rate F at 0.5 s", 0.85, None),
    Figure("boundaries_on_patterns", "section boundaries on pattern starts (0.5 s)", None, 0.90),
    Figure("role_time", "time with the right role"),
    Figure("drop_f", "drop F within a bar", 0.92, None),
    Figure("invented_drops", "drops in a track without one, mean", 0.0, None, smaller=True),
    Figure("strongest_right", "strongest drop right, pairs 1 LU apart", 0.95, None),
    Figure("alike_right", "second drop told to repeat the first or not, rightly"),
    Figure("key_weighted", "key, weighted (a fifth counts upwards only)", 0.95, None),
    Figure("key_either", "key, weighted (a fifth counts both ways)"),
    Figure("key_exact", "key exactly right"),
    Figure("key_time", "time in the right key, where it changes"),
    Figure("voice_f", "voice F, all tracks together, by tenths of a second", 0.80, None),
    Figure("voice_invented_share", "  of tracks without a voice: share of time", None, None),
    Figure("exit_seam", "exit loop's seam within natural bar transitions", 0.95, 0.95),
    Figure("draft_slots", "draft slots within a quarter beat", 0.90, None),
)
PARTS = ("grid", "downbeat", "phrase", "section", "drop", "key", "draft")
_BINS = 5
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
    """Figures by kind of track: mean (or median, for offsets), goal, whether it is met, and each baseline's."""
    kinds: dict[str, Any] = {}
    for kind in ("synthetic", "real"):
        of_kind = [row for row in rows if row.kind == kind]
        if not of_kind:
            continue
        names = sorted({name for row in of_kind for name in row.baselines})
        figures = {}
        for figure in FIGURES:
            value = _gather(figure.key, of_kind)
            if value is None:
                continue
            goal = figure.synthetic_goal if kind == "synthetic" else figure.real_goal
            met = None if goal is None else bool(value <= goal if figure.smaller else value >= goal)
            base = {
                name: _mean(figure.key, [row.baselines[name] for row in of_kind if row.baselines]) for name in names
            }
            figures[figure.key] = {"words": figure.words, "value": value, "goal": goal, "met": met, "baselines": base}
        slots = sorted({key for row in of_kind for key in row.scores if key.startswith("slot_")})
        kinds[kind] = {
            "tracks": len(of_kind),
            "figures": figures,
            "slots": {slot: _mean(slot, [row.scores for row in of_kind]) for slot in slots},
            "reliability": {part: _reliability(of_kind, part) for part in PARTS},
            "misses": _misses(of_kind),
        }
    return kinds


def print_summary(kinds: dict[str, Any]) -> None:
    """Print the figures of each kind beside goals and baselines."""
    for kind, content in kinds.items():
        names = sorted({name for figure in content["figures"].values() for name in figure["baselines"]})
        print(f"\n{content['tracks']} {kind} tracks{'':<32}{'figure':>10}{'goal':>8}{'':>8}", end="")
        print("".join(f"{name:>9}" for name in names))
        for figure in content["figures"].values():
            goal = "" if figure["goal"] is None else f"{figure['goal']:.2f}"
            met = {None: "", True: "met", False: "missed"}[figure["met"]]
            values = [figure["baselines"][name] for name in names]
            base = "".join(f"{'':>9}" if value is None else f"{value:9.3f}" for value in values)
            print(f"  {figure['words']:<52}{figure['value']:>8.3f}{goal:>7}{met:>8}{base}")
        if content["slots"]:
            parts = ", ".join(f"{key.removeprefix('slot_')}: {value:.2f}" for key, value in content["slots"].items())
            print(f"  draft by slot: {parts}")
        print("  said to be sure of, and right (from the least sure fifth to the surest):")
        for part, bins in content["reliability"].items():
            if bins:
                print(f"    {part:<9}" + "  ".join(f"{one['sure']:.2f}:{one['right']:.2f}" for one in bins))
        for key, groups in content["misses"].items():
            shown = ", ".join(f"{trait} {missed} of {of}" for trait, (missed, of) in groups.items())
            if shown:
                print(f"  misses of {key}: {shown}")


def _reliability(rows: list[Row], part: str) -> list[dict[str, float]]:
    """Mean confidence and mean rightness in five bins of as many answers each, the least sure first."""
    pairs = sorted(pair for row in rows for pair in row.sure.get(part, ()))
    return [
        {"sure": float(np.mean([sure for sure, _ in one])), "right": float(np.mean([right for _, right in one]))}
        for one in (pairs[len(pairs) * i // _BINS : len(pairs) * (i + 1) // _BINS] for i in range(_BINS))
        if one
    ]


def _misses(rows: list[Row]) -> dict[str, dict[str, tuple[int, int]]]:
    """For the figures that matter most: by trait (a word of a track's name), how many of how many tracks fall short."""
    limits = {
        "tempo_right": 0.5, "beat_f20": 0.9, "downbeat_phase": 0.5, "metre_right": 0.5, "phrase_bars": 0.8,
        "boundary_hr05": 0.75, "drop_f": 0.9, "key_weighted": 0.9, "voice_f_sung": 0.7, "exit_seam": 0.5,
        "draft_slots": 0.8,
    }  # fmt: skip
    found: dict[str, dict[str, tuple[int, int]]] = {}
    for key, limit in limits.items():
        groups: dict[str, list[bool]] = {}
        for row in rows:
            value = row.scores.get(key)
            if value is not None:
                for trait in re.sub("(half|key|pick|two|swung|near|six)-", r"\1_", row.name).split("-")[1:]:
                    groups.setdefault(trait.replace("_", "-"), []).append(value < limit)
        short = {trait: (sum(missed), len(missed)) for trait, missed in groups.items() if any(missed)}
        found[key] = dict(sorted(short.items(), key=lambda item: -item[1][0] / item[1][1]))
    return found


def write_json(rows: list[Row], kinds: dict[str, Any]) -> None:
    """Write everything to ``build/accuracy.json``."""
    JSON_FILE.parent.mkdir(parents=True, exist_ok=True)
    document = {"summary": kinds, "tracks": [asdict(row) for row in rows]}
    JSON_FILE.write_text(json.dumps(document, indent=1), encoding="utf-8")


def _gather(key: str, rows: list[Row]) -> float | None:
    scores = [row.scores for row in rows]
    if key == "downbeat_sure_half":
        pairs = sorted((pair for row in rows for pair in row.sure.get("downbeat", ())), reverse=True)
        return float(np.mean([right for _, right in pairs[: (len(pairs) + 1) // 2]])) if pairs else None
    if key == "voice_f":
        found, invented, missed = (
            sum(score.get(f"voice_{part}_s") or 0.0 for score in scores) for part in ("found", "invented", "missed")
        )
        return 2 * found / (2 * found + invented + missed) if found + missed else None
    return _mean(key, scores)


def _mean(key: str, scores: list[Scores]) -> float | None:
    if key == "offset_median_abs_ms":
        medians = [score.get("offset_median_ms") for score in scores]
        offsets = [abs(value) for value in medians if value is not None]
        return float(np.median(offsets)) if offsets else None
    values = [value for score in scores if (value := score.get(key)) is not None]
    if not values:
        return None
    if key == "tempo_error_bpm":
        return float(np.percentile(values, 95))
    return float(np.median(values) if key.endswith("_ms") else np.mean(values))


def _cell(value: float | None, is_ms: bool) -> str:
    if value is None:
        return f"{'–':>7}"
    return f"{value:7.1f}" if is_ms else f"{value:7.2f}"
