"""Runs the analysis and the baselines over tracks, one after the other or in several processes."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context

from tests.accuracy import baselines, estimate, listen, material, report
from tests.accuracy.form import draft_hits, section_pairs
from tests.accuracy.score import score

_OF_BASELINE = ("tempo_", "octave", "beat_", "cmlt", "offset")
"""The baselines answer tempo and beats only; everything else would be a nought for silence."""

_BEATS_RIGHT = 0.9
"""A grid is right where so much of its beats (F at 20 ms) is; a track's phrases likewise."""


def measure(track: material.Track, part: str, with_baseline: bool) -> report.Row:
    """Run the analysis and the baselines on one track and compare all with what is known."""
    path, reference = track.path_and_reference()
    found = estimate.grid_alone(path) if part == "grid" else estimate.whole_analysis(path)
    scores = score(found, reference)
    if found.exit_loop_s is not None:
        scores["exit_seam"] = float(listen.seam_is_natural(path, found.exit_loop_s, reference.downbeats_s))
    base = {}
    if with_baseline and reference.has_beat:
        for name in baselines.TRACKERS:
            scored = score(baselines.ask(name, path), reference)
            base[name] = {key: value for key, value in scored.items() if key.startswith(_OF_BASELINE)}
    return report.Row(
        name=track.name,
        kind=track.kind,
        tempo_bpm=reference.tempo_bpm,
        said_bpm=found.tempo_bpm,
        scores=scores,
        baselines=base,
        sure=_sure(found, reference, scores),
        took_s=found.took_s,
    )


def _sure(
    found: estimate.Estimate, reference: material.Reference, scores: dict[str, float | None]
) -> dict[str, list[tuple[float, float]]]:
    """Confidence beside how right it was (0 to 1), by part."""
    right = {
        "grid": scores.get("beat_f20") and float((scores["beat_f20"] or 0.0) > _BEATS_RIGHT),
        "downbeat": scores.get("downbeat_phase"),
        "phrase": scores.get("phrase_bars"),
        "key": scores.get("key_exact"),
    }
    pairs = {
        part: [(found.sure[part], value)] for part, value in right.items() if value is not None and part in found.sure
    }
    if found.sections and reference.full is not None and reference.has_beat:
        pairs["section"] = section_pairs(found, reference.full)
        pairs["drop"] = section_pairs(found, reference.full, "drop")
    if found.draft_s and "draft_slots" in scores and reference.full is not None:
        hits = draft_hits(found.draft_s, reference.full)
        pairs["draft"] = [
            (found.draft_sure[slot], float(hit)) for slot, hit in hits.items() if slot in found.draft_sure
        ]
    return pairs


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
