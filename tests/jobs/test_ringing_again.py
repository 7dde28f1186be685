"""Ringing again for jobs that nobody came for."""

from __future__ import annotations

import uuid

import pytest
from django.conf import settings

from crewprep.jobs import bell, services
from crewprep.jobs.models import Job
from crewprep.models import Crew
from tests.jobs.test_services import ask, later, let_lease_run_out, make_track

pytestmark = pytest.mark.django_db


def test_old_bells_are_rung_again_and_young_ones_are_not(rung: list[uuid.UUID]) -> None:
    waiting, running, lost, resting = ask(), ask(), ask(), ask()
    for job in (running, lost):
        assert services.claim(job.pk) is not None
    let_lease_run_out(lost.pk)
    Job.objects.filter(pk=resting.pk).update(available_at=later(60))
    assert services.ring_due() == 0
    Job.objects.update(rung_at=later(-settings.JOB_RERING_AFTER_S - 1))
    assert services.ring_due() == 2
    assert set(rung) == {waiting.pk, lost.pk}
    assert services.ring_due() == 0  # these are young again


def test_a_long_queue_is_rung_a_few_bells_at_a_time(rung: list[uuid.UUID]) -> None:
    crew = Crew.objects.create(name="many", slug="many")
    for _ in range(services.RING_AT_MOST + 3):
        ask(make_track(crew))
    Job.objects.update(rung_at=later(-60))
    assert services.ring_due(limit=1) == 1
    assert services.ring_due() == services.RING_AT_MOST
    assert services.ring_due() == 2


def test_a_bell_that_cannot_be_rung_is_not_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    ask()
    Job.objects.update(rung_at=None)
    monkeypatch.setattr(bell, "ring", lambda job_id: False)
    assert services.ring_due() == 0
