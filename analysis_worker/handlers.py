"""What is done for each kind of job. The task module claims; this one works, keeps the lease, and settles.

The top of the product: only ``tasks`` imports it, and it may use everything below.
"""

from __future__ import annotations

import logging
import os
import tempfile
import time
import wave
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Final

from django.conf import settings
from django.core.files.storage import default_storage
from django.db import InterfaceError, OperationalError, connection

from analysis_worker import files, guard, stopping
from analysis_worker.core.errors import AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.results import Decode
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.analysis.services import store_analysis
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import rules_of
from crewprep.crates.folding import fold_or_claim
from crewprep.jobs import services as jobs
from crewprep.jobs.models import Job, JobKind
from crewprep.jobs.services import Claim
from crewprep.sheets.services import ask_for_drafts, store_draft
from crewprep.tracks.copies import drop_copy, put_in_place
from crewprep.tracks.known import twin_of
from crewprep.tracks.models import Copy, Track, TrackState
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.services import refuse_track

log = logging.getLogger(__name__)

ANALYSIS_RATE: Final = 44_100
"""As in ``core.audio``, which is loaded in the children alone."""

DECODER_ATTEMPTS: Final = 3
"""A file whose decoder dies is tried twice more: once may be this machine's fault, three times is the file's."""


class LostClaimError(Exception):
    """The lease ran out and the job is another worker's now."""


class Keeper:
    """Keeps the lease while the work goes on; called every second or so, and at each new stage.

    Raises ``LostClaimError`` where the job is no longer ours, ``StopError`` where this worker is told to stop.
    """

    def __init__(self, claim: Claim) -> None:
        self._claim = claim
        self._stage = ""
        self._due = 0.0

    def __call__(self, stage: str = "") -> None:
        stopping.check()
        stage = (stage or self._stage)[:60]
        if stage == self._stage and time.monotonic() < self._due:
            return
        try:
            if not jobs.heartbeat(self._claim, stage):
                raise LostClaimError
        except (OperationalError, InterfaceError) as error:
            # The database may be back before the lease ends; if not, the fence drops what we make.
            log.warning("Job %s: the lease could not be extended: %s", self._claim.job_id, error)
            connection.close()
        self._stage, self._due = stage, time.monotonic() + settings.JOB_LEASE_S / 4


def run(claim: Claim) -> None:
    """Do a claimed job and settle it, whatever happens short of this process being killed."""
    started = time.monotonic()
    try:
        HANDLERS[claim.kind](claim, Keeper(claim))
    except stopping.StopError:
        jobs.release(claim)
        outcome = "given back: this worker is told to stop"
    except LostClaimError:
        outcome = "dropped: its lease ran out and another worker has it"
    except AudioError as error:
        jobs.fail(claim, error.code, error.message, apply=partial(_refuse, code=error.code))
        outcome = f"refused: {error}"
    except guard.DecoderStopped as error:
        jobs.give_back(claim, error.code, error.message, most_attempts=DECODER_ATTEMPTS)
        outcome = f"given back: {error}"
    except Exception as error:
        log.exception("Job %s (%s), attempt %d", claim.job_id, claim.kind, claim.attempt)
        jobs.give_back(claim, "job:error", f"{type(error).__name__}: {error}"[:500])
        outcome = "given back"
    else:
        outcome = "settled"
    log.info("Job %s (%s) %s, %.1f s", claim.job_id, claim.kind, outcome, time.monotonic() - started)


def _refuse(job: Job, *, code: str) -> None:
    if job.kind == JobKind.COMPARE:
        drop_copy(job=job, code=code)
    else:
        refuse_track(job=job, code=code)


def draft(claim: Claim, keeper: Keeper) -> None:
    """Draft a sheet from a stored analysis by the rules of one convention version."""
    from analysis_worker.core.draft import draft_sheet

    keeper("Drafting a sheet")
    analysis = Analysis.objects.get(pk=claim.params["analysis"])
    version = ConventionVersion.objects.get(pk=claim.params["convention_version"])
    result = draft_sheet(analysis.result, rules_of(version))

    def store(job: Job) -> None:
        store_draft(job=job, analysis=analysis, convention_version=version, draft=result)

    jobs.finish(claim, store)


def analyse(claim: Claim, keeper: Keeper) -> None:
    """Decode a track's reference copy and analyse it, both in guarded children, and store what they found.

    A new track whose samples the crew has already is folded into the one that has them, without an analysis.
    """
    keeper("Reading the file")
    track = Track.objects.select_related("crew").get(pk=claim.track_id)
    copy = reference_copy(track)
    with (
        files.on_disk(copy.audio_key, on_tick=keeper) as path,
        guard.decode_in_child(
            path,
            work_dir=settings.WORK_DIR,
            limits=Limits(),
            name=copy.original_name,
            timeline=_timeline_of(copy),
            on_tick=keeper,
        ) as decoded,
    ):
        if track.state != TrackState.READY and twin_of(track, decoded.decode):
            jobs.finish(claim, partial(_must_fold, decode=decoded.decode))
            return
        facts = guard.analyse_in_child(
            decoded, work_dir=settings.WORK_DIR, on_tick=keeper, on_stage=lambda stage: keeper(stage.capitalize())
        )
        keeper("Storing the result")
        assert decoded.proxy_path is not None
        assert decoded.peaks_path is not None
        proxy_key = files.store(decoded.proxy_path, proxy_key_of(claim))
        peaks_key = files.store(decoded.peaks_path, peaks_key_of(claim))

    named = False

    def store(job: Job) -> None:
        nonlocal named
        if _fold(job, decoded.decode):
            return
        analysis = store_analysis(
            job=job,
            decode=decoded.decode,
            facts=facts,
            proxy_key=proxy_key,
            peaks_key=peaks_key,
            warnings=tuple(facts["warnings"]),
            title=decoded.title,
            artist=decoded.artist,
        )
        ask_for_drafts(analysis=analysis, asked_by=job.asked_by)
        named = True

    if not (jobs.finish(claim, store) and named):
        for key in (proxy_key, peaks_key):  # their names hold our token, so no row can come to name them
            default_storage.delete(key)


def _timeline_of(copy: Copy) -> tuple[int, int] | None:
    """Where a copy that took another's place lies, in frames at 44.1 kHz; None for one that began its timeline."""
    if copy.timeline_frames is None:
        return None
    return round(copy.offset_us * ANALYSIS_RATE / 1_000_000), copy.timeline_frames


def compare(claim: Claim, keeper: Keeper) -> None:
    """Lay a better copy on its track's timeline and put it in place of the reference copy; refused where it is no copy
    of the same."""
    keeper("Reading the file")
    copy = Copy.objects.filter(pk=claim.params["copy"], track=claim.track_id).select_related("track").first()
    if copy is None:
        jobs.finish(claim, lambda job: None)
        return
    with (
        files.on_disk(copy.audio_key, on_tick=keeper) as path,
        files.on_disk(reference_copy(copy.track).proxy_key, on_tick=keeper) as reference,
        guard.decode_in_child(
            path,
            work_dir=settings.WORK_DIR,
            limits=Limits(),
            name=copy.original_name,
            with_proxy=False,
            on_tick=keeper,
        ) as decoded,
    ):
        compared = guard.compare_in_child(
            decoded,
            reference,
            on_tick=keeper,
            on_stage=lambda stage: keeper(stage.capitalize()),
        )
        proxy_key = files.store(compared.proxy_path, proxy_key_of(claim))
        peaks_key = files.store(compared.peaks_path, peaks_key_of(claim))

    def store(job: Job) -> None:
        put_in_place(
            job=job,
            copy=copy,
            decode=decoded.decode,
            offset_us=round(compared.offset_frames * 1_000_000 / ANALYSIS_RATE),
            timeline_frames=compared.frames,
            gain_db=compared.gain_db,
            proxy_key=proxy_key,
            peaks_key=peaks_key,
            warnings=decoded.warnings,
        )

    if not jobs.finish(claim, store):
        for key in (proxy_key, peaks_key):
            default_storage.delete(key)


def _fold(job: Job, decode: Decode) -> bool:
    """Whether the job's track went into another one; that is drafted for the crates it came into."""
    owner = fold_or_claim(job=job, decode=decode)
    analysis = None if owner is None else current_analysis(owner)
    if analysis is not None:
        ask_for_drafts(analysis=analysis, asked_by=job.asked_by)
    return owner is not None


def _must_fold(job: Job, *, decode: Decode) -> None:
    if not _fold(job, decode):
        raise RuntimeError("The track with the same samples is gone; this one is analysed at the next try.")


def proxy_key_of(claim: Claim) -> str:
    """Where a claim's listening copy is stored: the token makes the name its own."""
    return f"{files.STORED_UNDER}/{claim.crew_id}/proxies/{claim.token.hex}.flac"


def peaks_key_of(claim: Claim) -> str:
    """Where what is drawn of a claim's listening copy is stored."""
    return f"{files.STORED_UNDER}/{claim.crew_id}/peaks/{claim.token.hex}.bin"


def warm_up() -> None:
    """Analyse a few seconds of noise, so that libraries and caches are read from disk before the first track comes.

    Nothing depends on it: whatever goes wrong is logged and forgotten.
    """
    settings.WORK_DIR.mkdir(parents=True, exist_ok=True)
    started = time.monotonic()
    try:
        with tempfile.NamedTemporaryFile(dir=settings.WORK_DIR, suffix=".wav") as noise:
            with wave.open(noise, "wb") as out:
                out.setparams((1, 2, 44_100, 0, "NONE", "not compressed"))
                out.writeframes(os.urandom(2 * 44_100 * 8))
            noise.flush()
            with guard.decode_in_child(
                Path(noise.name),
                work_dir=settings.WORK_DIR,
                limits=Limits(),
                with_proxy=False,
                on_tick=_unless_stopping,
            ) as decoded:
                guard.analyse_in_child(decoded, work_dir=settings.WORK_DIR, on_tick=_unless_stopping)
    except Exception as error:
        log.warning("The analysis could not be warmed up: %s", error)
    else:
        log.info("The analysis is warm after %.1f s", time.monotonic() - started)


def _unless_stopping() -> bool:
    return not stopping.is_stopping()


HANDLERS: Final[Mapping[str, Callable[[Claim, Keeper], None]]] = {
    JobKind.ANALYSE: analyse,
    JobKind.COMPARE: compare,
    JobKind.DRAFT: draft,
}
