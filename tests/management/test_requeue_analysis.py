"""``manage.py requeue_analysis``: which tracks are asked for again."""

from __future__ import annotations

import io
import uuid

import pytest
from django.core.management import CommandError, call_command

from crewprep.analysis.correction import half_a_beat_later
from crewprep.crews.models import Membership
from crewprep.models import Job, JobKind, JobState, Track, TrackState
from crewprep.review.corrections import correct_grid
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def member() -> Membership:
    return factories.crew_with()


def test_requeue_analysis_asks_for_tracks_of_another_engine(member: Membership) -> None:
    def requeue(*arguments: str) -> str:
        out = io.StringIO()
        call_command("requeue_analysis", *arguments, stdout=out)
        return out.getvalue()

    crate = factories.crate(member)
    fresh, old, refused = (
        factories.analysed_track(member, crate),
        factories.analysed_track(member, crate),
        factories.track(member, crate),
    )
    type(old.analyses.get()).objects.filter(track=old).update(engine="0")
    Track.objects.filter(pk=refused.pk).update(state=TrackState.REFUSED)
    Job.objects.filter(track=refused).update(state=JobState.FAILED)

    def waiting() -> set[uuid.UUID]:
        return set(Job.objects.filter(kind=JobKind.ANALYSE, state=JobState.QUEUED).values_list("track_id", flat=True))

    assert "1 track would be queued" in requeue("--dry-run")
    assert waiting() == set()
    assert "1 track queued" in requeue("--crew", member.crew.slug)
    assert waiting() == {old.pk}
    assert "0 tracks queued" in requeue("--crew", "another")
    with pytest.raises(CommandError, match="Nothing was queued"):
        requeue(str(fresh.pk))
    requeue("--all", "--refused")
    assert waiting() == {fresh.pk, old.pk, refused.pk}
    assert Job.objects.filter(track=old, kind=JobKind.ANALYSE, state=JobState.QUEUED).count() == 1


def test_requeue_analysis_leaves_a_corrected_grid_alone(member: Membership) -> None:
    track = factories.analysed_track(member, factories.crate(member))
    found = track.analyses.get()
    correct_grid(member=member, track=track, seen=str(found.pk), change=half_a_beat_later, words="half a beat later")
    track.analyses.update(engine="0")
    out = io.StringIO()
    call_command("requeue_analysis", stdout=out)
    assert "0 tracks queued" in out.getvalue()
    call_command("requeue_analysis", "--all", stdout=out)
    assert "1 track queued" in out.getvalue()
