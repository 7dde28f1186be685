"""A track's standing says what its rows say, after each kind of change."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from crewprep.activity import services as activity
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.jobs.services import cancel, claim, enqueue, fail, give_back, retry
from crewprep.library.models import BrokenCheck, Stand, TrackStanding
from crewprep.library.search import Search, found
from crewprep.library.upkeep import COLUMNS, freshen, mark_all, mark_on_record, stale, truth_of
from crewprep.review.corrections import correct_grid
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    return_proposal,
    withdraw_proposal,
)
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.services import put_in_crate
from crewprep.tracks.models import Track
from crewprep.tracks.services import refuse_track
from tests import factories

pytestmark = pytest.mark.django_db


def told(track: Track) -> TrackStanding:
    """The standing, once it is fresh, after comparing it with what the rows say."""
    freshen(track.crew_id)
    row = TrackStanding.objects.get(track=track)
    columns, broken = truth_of([track.pk])[track.pk]
    assert {column: getattr(row, column) for column in COLUMNS} == columns
    assert tuple(sorted(BrokenCheck.objects.filter(track=track).values_list("check_code", flat=True))) == broken
    assert not stale().exists()
    return row


def test_it_follows_a_track_through_its_whole_life(lead: Membership, resident: Membership, crate: Crate) -> None:
    track = factories.analysed_track(resident, crate)
    Track.objects.filter(pk=track.pk).update(title="Élan", artist="The Øre")
    row = told(track)  # the title was changed past the record: it shows with the next change
    assert (row.state, row.tempo_bpm, row.key_name, row.loudness_lufs) == (Stand.UNDRAFTED, 128.0, "A minor", -9.5)
    factories.draft(track, crate.convention_version)
    row = told(track)
    assert (row.state, row.confidence, row.sort_title, row.sort_artist) == (Stand.DRAFTED, 0.8, "elan", "the ore")

    proposal = factories.proposal(resident, made=track, into=crate)
    assert told(track).state == Stand.OPEN
    return_proposal(member=lead, proposal=proposal, seen_revision=1, remarks=[RemarkInput(2, "a bar later")])
    assert told(track).state == Stand.RETURNED
    result = factories.analysis_result()
    late = [MarkerInput(one.slot, one.start_us + 9_000 * (one.slot == 2), one.end_us) for one in
            factories.eight_markers(result)]  # fmt: skip
    amend_proposal(member=resident, proposal=proposal, markers=late, seen_revision=1)
    assert told(track).state == Stand.OPEN
    approve_proposal(member=lead, proposal=proposal, seen_revision=2)
    row = told(track)
    assert (row.state, row.sheet_number, row.checked) == (Stand.APPROVED, 1, True)
    assert BrokenCheck.objects.get(track=track).check_code == "grid"

    better = factories.proposal(resident, made=track, into=crate)
    assert (told(track).state, told(track).sheet_number) == (Stand.OPEN, 1)
    withdraw_proposal(member=resident, proposal=better, seen_revision=1)
    assert told(track).state == Stand.APPROVED
    again = factories.proposal(resident, made=track, into=crate)
    approve_proposal(member=lead, proposal=again, seen_revision=1)
    assert (told(track).sheet_number, BrokenCheck.objects.count()) == (2, 0)

    analysis = current_analysis(track)
    assert analysis is not None
    correct_grid(member=resident, track=track, seen=str(analysis.pk), change=lambda found: factories.analysis_result(
        bpm=100.0), words="slower")  # fmt: skip
    assert (told(track).tempo_bpm, told(track).confidence) == (100.0, None)


def test_it_follows_the_workers(resident: Membership, crate: Crate) -> None:
    track = factories.track(resident, crate)
    assert told(track).state == Stand.WORKING
    job = Job.objects.get(track=track)
    taken = claim(job.pk)
    assert taken is not None
    give_back(taken, "job:worker-lost", "", most_attempts=1)
    assert told(track).state == Stand.GIVEN_UP
    job.refresh_from_db()
    retry(job=job, member_user=resident.user)
    assert told(track).state == Stand.WORKING
    taken = claim(job.pk)
    assert taken is not None
    fail(taken, "audio:too-short", "Too short.", lambda job: refuse_track(job=job, code="audio:too-short"))
    assert told(track).state == Stand.REFUSED

    ready = factories.analysed_track(resident, crate)
    assert told(ready).state == Stand.UNDRAFTED
    with transaction.atomic():
        draft_job = enqueue(track=ready, kind=JobKind.DRAFT, input_sha256="0", params={}, asked_by=resident.user)
    assert told(ready).state == Stand.WORKING
    assert cancel(job=draft_job, by=resident.user)
    assert not cancel(job=draft_job, by=resident.user)
    assert told(ready).state == Stand.UNDRAFTED
    Job.objects.filter(pk=draft_job.pk).update(state=JobState.DEAD)
    mark_all(ready.crew_id)
    assert told(ready).state == Stand.GIVEN_UP


def test_a_change_that_is_undone_marks_nothing(resident: Membership, crate: Crate) -> None:
    track = factories.analysed_track(resident, crate)
    told(track)
    with transaction.atomic():
        factories.proposal(resident, made=track, into=crate)
        assert stale().count() == 1
        transaction.set_rollback(True)
    assert not stale().exists()
    assert told(track).state == Stand.UNDRAFTED


@contextmanager
def _deaf() -> Iterator[None]:
    kept = list(activity._listeners)
    activity._listeners.remove(mark_on_record)
    try:
        yield
    finally:
        activity._listeners[:] = kept


def _approve(lead: Membership, track: Track, crate: Crate) -> None:
    approve_proposal(
        member=lead,
        proposal=factories.proposal(factories.member_of(lead.crew), made=track, into=crate),
        seen_revision=1,
    )


@pytest.mark.parametrize(
    "change", [_approve, lambda lead, track, crate: factories.draft(track, crate.convention_version)]
)
def test_without_the_record_it_would_be_missed(
    change: Callable[[Membership, Track, Crate], object], lead: Membership, crate: Crate
) -> None:
    """The control: what the other tests see comes of the record alone."""
    track = factories.analysed_track(lead, crate)
    told(track)
    with _deaf():
        change(lead, track, crate)
    with pytest.raises(AssertionError):
        told(track)
    call_command("rebuild_standings")
    told(track)


def test_sheets_that_are_checked_again_are_noticed(lead: Membership, crate: Crate) -> None:
    track = factories.analysed_track(lead, crate)
    _approve(lead, track, crate)
    SheetVersion.objects.update(findings=None)
    mark_all()
    assert not told(track).checked
    call_command("recheck_sheets")
    assert told(track).checked


def test_rows_from_before_there_were_standings_get_one(lead: Membership, crate: Crate) -> None:
    tracks = [factories.analysed_track(lead, crate) for _ in range(2)]
    TrackStanding.objects.filter(track=tracks[0]).delete()
    kept = TrackStanding.objects.get(track=tracks[1])
    migration = importlib.import_module("crewprep.migrations.0014_stand_all_tracks")
    migration.stand_all(apps, None)
    made = TrackStanding.objects.get(track=tracks[0])
    assert (made.crew_id, made.revision, made.seen_revision) == (lead.crew_id, 1, 0)
    assert TrackStanding.objects.get(track=tracks[1]).pk == kept.pk
    assert told(tracks[0]).tempo_bpm == 128.0


def test_it_takes_as_many_questions_for_many_as_for_one(lead: Membership, crate: Crate) -> None:
    other = factories.crate(lead, "Saturday")
    tracks = [factories.analysed_track(lead, crate) for _ in range(5)]
    freshen()

    def questions(fresh: int) -> int:
        with CaptureQueriesContext(connection) as asked:
            assert freshen(lead.crew_id) == fresh
        return len(asked)

    assert questions(0) == 1
    put_in_crate(member=lead, crate=other, track=tracks[0])
    one = questions(1)
    mark_all()
    assert questions(5) == one <= 16


def test_no_facts_are_read(lead: Membership, crate: Crate, monkeypatch: pytest.MonkeyPatch) -> None:
    factories.analysed_track(lead, crate)

    def read(*arguments: object) -> None:
        raise AssertionError("facts were read")

    monkeypatch.setattr(Analysis._meta.get_field("facts"), "from_db_value", read)
    assert freshen() == 1


def test_a_track_that_leads_on_to_another_is_not_listed(lead: Membership, crate: Crate) -> None:
    track, twin = factories.analysed_track(lead, crate), factories.analysed_track(lead, crate)
    Track.objects.filter(pk=twin.pk).update(same_as=track)
    mark_all()
    assert (told(track).listed, told(twin).listed) == (True, False)
    assert [row.track_id for row in found(lead, Search())] == [track.pk]
