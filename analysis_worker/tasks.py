"""What Celery runs: thin tasks over ``crewprep.jobs`` and ``handlers``.

``handlers`` is imported where it is used: a web process imports this module to ring, and must not load the analysis.
"""

from __future__ import annotations

import logging
import threading
from typing import Any

from celery import shared_task
from celery.signals import worker_init, worker_ready, worker_shutting_down

from analysis_worker import stopping
from crewprep.common import statistics
from crewprep.jobs import services as jobs
from crewprep.jobs.models import JobKind
from crewprep.notices import services as notices

log = logging.getLogger(__name__)


DRAFTS_PER_BELL = 20
"""Drafts take milliseconds, the next bell up to half a second (see ``crewprep.embedded_broker``)."""


@shared_task(ignore_result=True)
def run_job(job_id: str, **_later_arguments: Any) -> None:
    """Answer the bell that rang for a job: take whichever job's turn it is and do it, then the drafts that wait.

    The id says that there is work, not which: turns are decided by the job table, so that a crew whose bells stand
    in line behind another's five hundred does not wait for them. A bell with no work left is silent. Before leaving,
    ring once more where jobs wait whose bells are old.
    """
    from analysis_worker import handlers

    kind = None
    for _ in range(1 + DRAFTS_PER_BELL):
        if stopping.is_stopping():
            return  # jobs keep their rows; another worker, or this one after its restart, hears the next bell
        claim = jobs.claim_next(kind=kind)
        if claim is None:
            break
        handlers.run(claim)
        kind = JobKind.DRAFT
    if kind is None:
        log.debug("Bell for job %s: nothing waits.", job_id)
    else:
        jobs.ring_due(limit=1)


@shared_task(ignore_result=True)
def ring_waiting_jobs() -> int:
    """Every few seconds: ring for jobs whose bells were lost, give up those that lost their last worker."""
    return jobs.ring_due()


@shared_task(ignore_result=True)
def look_after_notices() -> int:
    """Every ten seconds: tell members what is new, and send what is due."""
    return notices.look_after()


@shared_task(ignore_result=True)
def sweep_files() -> int:
    """Every hour: remove what killed processes left behind, and notices that nobody reads again."""
    from analysis_worker import files

    return files.sweep() + notices.sweep()


@shared_task(ignore_result=True)
def refresh_statistics() -> None:
    """Every hour: let the database look at tables that have grown."""
    statistics.refresh()


@worker_shutting_down.connect
def _stop(**_details: Any) -> None:
    stopping.stop()


@worker_init.connect
def _load(**_details: Any) -> None:
    """Load what jobs need once, before the pool's processes are forked, and not when the first job arrives."""
    from analysis_worker import handlers  # noqa: F401  imported for what importing it loads


@worker_ready.connect
def _warm_up(**_details: Any) -> None:
    """Fill the compiler's cache beside the main loop, which must not wait for it."""
    from analysis_worker import handlers

    threading.Thread(target=handlers.warm_up, name="warm-up", daemon=True).start()
