"""Reading the job table."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.db.models import Count, Max, Min, Q

from crewprep.jobs.models import Job, JobState

_NEVER = dt.datetime.min.replace(tzinfo=dt.UTC)


def is_waiting(now: dt.datetime) -> Q:
    """Jobs that a worker may take: queued and due, or leased by a worker that let its lease run out."""
    return Q(state=JobState.QUEUED, available_at__lte=now) | Q(state=JobState.LEASED, lease_until__lt=now)


def crews_by_turn(now: dt.datetime) -> list[UUID]:
    """Crews with waiting jobs, whose turn it is first: fewest jobs running, then longest since one of theirs ended."""
    oldest = dict(Job.objects.filter(is_waiting(now)).order_by().values_list("crew_id").annotate(Min("available_at")))
    if len(oldest) < 2:
        return list(oldest)
    running = dict(
        Job.objects.filter(state=JobState.LEASED, lease_until__gte=now)
        .order_by().values_list("crew_id").annotate(Count("pk"))
    )  # fmt: skip
    served = dict(
        Job.objects.filter(crew_id__in=oldest, finished_at__isnull=False)
        .order_by().values_list("crew_id").annotate(Max("finished_at"))
    )  # fmt: skip
    return sorted(oldest, key=lambda crew: (running.get(crew, 0), served.get(crew, _NEVER), oldest[crew]))
