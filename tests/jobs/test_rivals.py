"""Several at once: the same request, the same job. Runs on the suite's database, so on PostgreSQL too."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import QuerySet

from crewprep.activity.models import Activity
from crewprep.jobs import bell, services
from crewprep.jobs.models import Job, JobKind
from crewprep.models import Crew, Track

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS = 25
RIVALS = 4
LONG_AGO = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)


@pytest.fixture(autouse=True)
def _no_bells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bell, "ring", lambda job_id: True)


def at_once(action: Callable[[], Any], rivals: int = RIVALS) -> list[Any]:
    """Run an action in several threads that start together; returns what each gave or raised."""
    barrier = threading.Barrier(rivals)
    answers: list[Any] = []

    def run() -> None:
        try:
            connection.ensure_connection()
            barrier.wait(timeout=30)
            answers.append(action())
        except BaseException as error:
            answers.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(rivals)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


def make_track() -> Track:
    crew, _ = Crew.objects.get_or_create(name="Crew", slug="crew")
    return Track.objects.create(crew=crew, title="Tune")


def ask(track: Track) -> Job:
    with transaction.atomic():
        return services.enqueue(track=track, kind=JobKind.ANALYSE, input_sha256="", params={"a": 1}, asked_by=None)


def test_the_same_request_from_several_at_once_becomes_one_job() -> None:
    for _ in range(ROUNDS):
        track = make_track()
        answers = at_once(lambda track=track: ask(track).pk)  # type: ignore[misc]  # a default binds the loop's track
        job = Job.objects.get(track=track)
        assert answers == [job.pk] * RIVALS
        assert Activity.objects.filter(subject_id=job.pk).count() == 1


def claims_of_one_job() -> int:
    """How many of several rivals got a claim on the same job."""
    job = ask(make_track())
    answers = at_once(lambda: services.claim(job.pk))
    assert not [answer for answer in answers if isinstance(answer, BaseException)]
    return sum(answer is not None for answer in answers)


def test_one_of_several_rivals_gets_a_job() -> None:
    assert [claims_of_one_job() for _ in range(ROUNDS)] == [1] * ROUNDS


@pytest.mark.server_only
def test_control_without_the_row_lock_several_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(QuerySet, "select_for_update", lambda self, **options: self)
    assert max(claims_of_one_job() for _ in range(ROUNDS)) > 1


def test_rivals_share_out_a_queue_without_taking_anything_twice() -> None:
    jobs = {ask(make_track()).pk for _ in range(20)}
    taken: list[Any] = []

    def take_all() -> None:
        while (claim := services.claim_next()) is not None:
            taken.append(claim.job_id)

    at_once(take_all)
    while (claim := services.claim_next()) is not None:  # rows that all rivals had skipped as locked
        taken.append(claim.job_id)
    assert len(taken) == len(jobs)
    assert set(taken) == jobs


def finish_against_claim() -> tuple[bool, bool, str]:
    """A late finish and a new claim at the same moment: (finished, claimed, the state after)."""
    job = ask(make_track())
    late = services.claim(job.pk)
    assert late is not None
    Job.objects.filter(pk=job.pk).update(lease_until=LONG_AGO)
    moves = iter([lambda: services.finish(late, lambda job: None), lambda: services.claim(job.pk)])
    answers = at_once(lambda: next(moves)(), rivals=2)
    assert not [answer for answer in answers if isinstance(answer, BaseException)]
    job.refresh_from_db()
    return True in answers, any(isinstance(answer, services.Claim) for answer in answers), str(job.state)


def test_of_a_late_finish_and_a_new_claim_at_the_same_moment_one_wins() -> None:
    for _ in range(ROUNDS):
        assert finish_against_claim() in {(True, False, "done"), (False, True, "leased")}
