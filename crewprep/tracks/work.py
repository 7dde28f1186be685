"""The work on a crew's tracks, as its members see it."""

from __future__ import annotations

from uuid import UUID

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.jobs.models import Job
from crewprep.jobs.services import retry


def job_for(member: Membership, job_id: UUID) -> Job:
    """The only way for a request to reach a job; raises ``NotFound`` for another crew's as for none."""
    job = Job.objects.filter(crew=member.crew, pk=job_id).select_related("track").first()
    if job is None:
        raise NotFound
    return job


def retry_work(*, member: Membership, job: Job) -> Job:
    """Have a given-up job tried again; raises ``Refused``, or ``Conflict`` where it has not been given up."""
    may_fill_crates(member).require()
    return retry(job=job, member_user=member.user)
