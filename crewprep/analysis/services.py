"""Storing what a worker measured."""

from __future__ import annotations

from typing import Any

from analysis_worker.core.results import Decode, TrackAnalysis
from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.analysis.thumbnail import thumbnail_of
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job
from crewprep.tracks.copies import level_with
from crewprep.tracks.selectors import reference_copy, time_zero_copy
from crewprep.tracks.services import mark_ready


def store_analysis(
    *,
    job: Job,
    decode: Decode,
    facts: dict[str, Any],
    proxy_key: str,
    peaks_key: str,
    warnings: tuple[str, ...],
    title: str,
    artist: str,
) -> Analysis:
    """Write an analysis and mark its track ready; called inside the transaction that finishes its job.

    ``facts`` is ``TrackAnalysis.to_facts()``; raises ``KeyError`` where it lacks a needed name.
    """
    result = TrackAnalysis.from_facts(facts)
    track, copy = job.track, reference_copy(job.track)
    # Times count from the copy that set time zero, also where another one was heard.
    time_zero = decode.pcm_sha256 if copy.timeline_frames is None else time_zero_copy(track).pcm_sha256
    analysis = Analysis.objects.create(
        crew_id=job.crew_id, track=track, job=job, pcm_sha256=time_zero, facts=facts, **_columns(result)
    )
    level_with(copy)
    mark_ready(
        track=track,
        copy=copy,
        decode=decode,
        proxy_key=proxy_key,
        peaks_key=peaks_key,
        warnings=warnings,
        title=title,
        artist=artist,
    )
    record(actor=None, verb="track analysed", subject=track, engine=result.engine)
    return analysis


def store_correction(*, member: Membership, base: Analysis, result: TrackAnalysis, words: str) -> Analysis:
    """Write what a member made of an analysis, as the next one; called inside a transaction.

    Raises ``IntegrityError`` where another correction follows ``base`` already.
    """
    return Analysis.objects.create(
        crew_id=base.crew_id,
        track_id=base.track_id,
        pcm_sha256=base.pcm_sha256,
        facts=result.to_facts(),
        made_by=member.user,
        follows=base,
        correction=words[:200],
        **_columns(result),
    )


def _columns(result: TrackAnalysis) -> dict[str, Any]:
    return {
        "engine": result.engine,
        "duration_us": result.duration_us,
        "tempo_bpm": result.tempo_bpm,
        "steady": result.steady,
        "key_name": result.key.name if result.key else "",
        "loudness_lufs": result.loudness_lufs,
        "true_peak_dbtp": result.true_peak_dbtp,
        "grid_confidence": result.grid_confidence,
        "thumbnail": thumbnail_of(result),
    }
