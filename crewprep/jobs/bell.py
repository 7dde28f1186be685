"""The doorbell: tells a worker that there is work. The only file below the top that names a Celery task.

A bell may be lost, late or rung twice: the work is in the job table, and ``services.ring_due`` rings again for jobs
that nobody came for.
"""

from __future__ import annotations

import logging
from uuid import UUID

log = logging.getLogger(__name__)

LAPSES_AFTER_S = 120
"""A bell that nobody heard for so long is not worth hearing: the job was rung for again since. Without this, bells
rung again and again behind busy workers would pile up. Long, because the clocks of two machines may differ."""


def ring(job_id: UUID) -> bool:
    """Send a job's id to the workers; False where the broker does not answer, which is logged and never raised."""
    from analysis_worker.tasks import run_job

    try:
        run_job.apply_async((str(job_id),), expires=LAPSES_AFTER_S)
    except Exception as error:  # each broker has its own errors, and none of them may break a request
        log.warning("The bell for job %s could not be rung; it will be rung again: %s", job_id, error)
        return False
    return True
