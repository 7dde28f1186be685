"""What the analysis says of a file, in the form that ``score`` compares."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CONVENTION = Path("fixtures/convention/eight.json")

Times = NDArray[np.float64]


@dataclass(slots=True)
class Estimate:
    """Answers in seconds; empty or None where the part that was run does not say.

    ``draft_s`` is slot to start, ``exit_loop_s`` the drafted exit loop, ``sure`` the confidence of each part.
    ``sections_sure`` goes with ``sections``; ``drops_same`` counts for each of ``drops_s`` the earlier one whose
    material it repeats (None: none of them).
    """

    tempo_bpm: float | None
    candidates_bpm: list[float]
    steady: bool
    beats_s: Times
    downbeats_s: Times
    phrases_s: Times = field(default_factory=lambda: np.zeros(0))
    sections: list[tuple[float, float, str]] | None = None
    drops_s: list[tuple[float, float]] | None = None
    key: str | None = None
    keys: list[tuple[float, float, str]] = field(default_factory=list)
    voice_s: list[tuple[float, float]] = field(default_factory=list)
    draft_s: dict[int, float] | None = None
    draft_sure: dict[int, float] = field(default_factory=dict)
    exit_loop_s: tuple[float, float] | None = None
    beats_per_bar: int = 4
    sure: dict[str, float] = field(default_factory=dict)
    sections_sure: list[float] = field(default_factory=list)
    drops_same: list[int | None] = field(default_factory=list)
    took_s: float = 0.0


def whole_analysis(path: Path) -> Estimate:
    """Decode, analyse, and draft by the default convention."""
    from analysis_worker.core.audio import decode
    from analysis_worker.core.limits import Limits
    from analysis_worker.core.pipeline import analyse

    with path.open("rb") as source:
        audio, _, _ = decode(source, limits=Limits(), format_hint=path.suffix.removeprefix("."))
    begun = time.perf_counter()
    found = analyse(audio)
    took_s = time.perf_counter() - begun
    estimate = Estimate(
        tempo_bpm=found.tempo_bpm,
        candidates_bpm=[candidate.bpm for candidate in found.tempo_candidates],
        steady=found.steady,
        beats_s=_seconds(found.beats_us),
        downbeats_s=_seconds(found.downbeats_us),
        phrases_s=_seconds(found.phrases_us),
        sections=[(part.start_us / 1e6, part.end_us / 1e6, part.role) for part in found.sections],
        sections_sure=[part.confidence for part in found.sections],
        drops_s=[(drop.start_us / 1e6, drop.strength) for drop in found.drops],
        drops_same=[drop.same_as for drop in found.drops],
        key=found.key.name if found.key else None,
        keys=[(span.start_us / 1e6, span.end_us / 1e6, f"{span.tonic} {span.mode}") for span in found.keys],
        voice_s=[(region.start_us / 1e6, region.end_us / 1e6) for region in found.voice],
        beats_per_bar=found.beats_per_bar,
        sure={
            "grid": found.grid_confidence,
            "downbeat": found.downbeat_confidence,
            "phrase": found.phrase_confidence,
            "key": found.key.confidence if found.key else 0.0,
        },
        took_s=took_s,
    )
    if CONVENTION.exists():
        from analysis_worker.core.convention import ConventionRules
        from analysis_worker.core.draft import draft_sheet

        rules = ConventionRules.from_document(json.loads(CONVENTION.read_text(encoding="utf-8")))
        markers = draft_sheet(found, rules).markers
        estimate.draft_s = {marker.slot: marker.start_us / 1e6 for marker in markers}
        estimate.draft_sure = {marker.slot: marker.confidence for marker in markers}
        exits = {slot.number for slot in rules.slots if slot.function == "exit loop"}
        loops = [(m.start_us / 1e6, m.end_us / 1e6) for m in markers if m.slot in exits and m.end_us is not None]
        estimate.exit_loop_s = loops[0] if loops else None
    return estimate


def grid_alone(path: Path) -> Estimate:
    """Decode, then beats and bars only: the quick run while one works on the grid."""
    from analysis_worker.core.audio import decode, for_analysis
    from analysis_worker.core.bars import estimate_bars
    from analysis_worker.core.grid import estimate_grid
    from analysis_worker.core.limits import Limits
    from analysis_worker.core.onsets import onset_bands

    with path.open("rb") as source:
        audio, _, _ = decode(source, limits=Limits(), format_hint=path.suffix.removeprefix("."))
    begun = time.perf_counter()
    mono = for_analysis(audio).samples.mean(axis=1)
    bands = onset_bands(mono)
    grid = estimate_grid(bands, len(mono) / 44_100)
    bars = estimate_bars(bands, grid)
    beats_s = np.asarray(grid.beats_s)
    return Estimate(
        tempo_bpm=grid.tempo_bpm,
        candidates_bpm=[candidate.bpm for candidate in grid.candidates],
        steady=grid.steady,
        beats_s=beats_s,
        downbeats_s=beats_s[bars.downbeats],
        phrases_s=beats_s[bars.phrases],
        beats_per_bar=bars.beats_per_bar,
        sure={"grid": grid.confidence, "downbeat": bars.confidence, "phrase": bars.phrase_confidence},
        took_s=time.perf_counter() - begun,
    )


def _seconds(times_us: tuple[int, ...]) -> Times:
    return np.asarray(times_us, dtype=np.float64) / 1e6
