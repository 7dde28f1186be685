"""Changes of many tracks, and taking them back: only what was done, and only where nothing has happened since."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.jobs.services import claim
from crewprep.library.bulk import change_many, may_undo, undo
from crewprep.library.models import BulkChange, BulkKind
from crewprep.library.selectors import bulk_change_for, chosen_tracks
from crewprep.preparation.models import Claim
from crewprep.preparation.services import claim_track, take_over
from crewprep.sheets.services import put_in_crate
from crewprep.tracks.models import Track
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    return [factories.analysed_track(lead, crate) for _ in range(4)]


@pytest.fixture
def friday(lead: Membership, crate: Crate) -> Crate:
    return factories.crate(lead, "Friday {night}")


def verbs(since: int) -> list[str]:
    return list(Activity.objects.order_by("created_at").values_list("verb", flat=True))[since:]


def inside(crate: Crate) -> set[object]:
    return set(CrateTrack.objects.filter(crate=crate).values_list("track_id", flat=True))


def test_tracks_are_put_into_a_crate_and_taken_back(lead: Membership, tracks: list[Track], friday: Crate) -> None:
    change_many(member=lead, kind=BulkKind.PUT, tracks=tracks[:1], crate=friday)
    before = Activity.objects.count()
    change = change_many(member=lead, kind=BulkKind.PUT, tracks=tracks, crate=friday)
    assert change.words == "3 tracks put into “Friday {night}”. 1 was passed over: nothing to do there."
    assert inside(friday) == {track.pk for track in tracks}
    assert verbs(before).count("track added to crate") == 3
    assert may_undo(change)

    CrateTrack.objects.filter(crate=friday, track=tracks[3]).delete()
    change_many(member=lead, kind=BulkKind.PUT, tracks=tracks[3:], crate=friday)  # somebody puts it in anew
    before = Activity.objects.count()
    result = undo(member=lead, change=change)
    assert (result.back, result.left) == (2, 1)
    assert inside(friday) == {tracks[0].pk, tracks[3].pk}
    assert verbs(before) == ["track taken out"] * 2
    with pytest.raises(Conflict):
        undo(member=lead, change=change)


def test_tracks_are_taken_out_and_come_back_in_their_places(
    lead: Membership, tracks: list[Track], crate: Crate
) -> None:
    order = list(CrateTrack.objects.filter(crate=crate).order_by("position").values_list("track_id", "position"))
    change = change_many(member=lead, kind=BulkKind.TAKE, tracks=[*tracks[1:3], factories.analysed_track(
        lead, factories.crate(lead, "Other"))], crate=crate)  # fmt: skip
    assert change.words.startswith("2 tracks taken out of")
    assert inside(crate) == {tracks[0].pk, tracks[3].pk}
    assert undo(member=lead, change=change).back == 2
    assert (
        list(CrateTrack.objects.filter(crate=crate).order_by("position").values_list("track_id", "position")) == order
    )


def test_tracks_are_given_and_come_back_to_who_had_them(
    lead: Membership, resident: Membership, newcomer: Membership, tracks: list[Track]
) -> None:
    claim_track(member=newcomer, track=tracks[0])
    claim_track(member=resident, track=tracks[1])
    change = change_many(member=lead, kind=BulkKind.ASSIGN, tracks=tracks, to=resident)
    assert str(change) == f"3 tracks given to {resident.user}. 1 was passed over: nothing to do there."
    assert set(Claim.objects.values_list("holder", flat=True)) == {resident.user_id}
    take_over(member=newcomer, track=tracks[3], seen_holder=resident.user_id, note="mine by now")
    result = undo(member=lead, change=change)
    assert (result.back, result.left) == (2, 1)
    holders = dict(Claim.objects.values_list("track_id", "holder_id"))
    assert holders == {
        tracks[0].pk: newcomer.user_id, tracks[1].pk: resident.user_id, tracks[3].pk: newcomer.user_id
    }  # fmt: skip


def test_released_tracks_go_back_unless_somebody_has_them(
    lead: Membership, resident: Membership, newcomer: Membership, tracks: list[Track]
) -> None:
    for track in tracks[:3]:
        claim_track(member=resident, track=track)
    change = change_many(member=lead, kind=BulkKind.RELEASE, tracks=tracks)
    assert (change.words, Claim.objects.count()) == (
        "3 tracks released. 1 was passed over: nothing to do there.", 0,
    )  # fmt: skip
    claim_track(member=newcomer, track=tracks[0])
    entry = next(entry for entry in change.changes if entry["track"] == str(tracks[1].pk))
    entry["before"]["until"] = (timezone.now() - dt.timedelta(minutes=1)).isoformat()  # it would have lapsed by now
    change.save()
    result = undo(member=lead, change=change)
    assert (result.back, result.left) == (1, 2)
    assert dict(Claim.objects.values_list("track_id", "holder_id")) == {
        tracks[0].pk: newcomer.user_id, tracks[2].pk: resident.user_id
    }  # fmt: skip


def test_missing_drafts_are_asked_for_and_taken_back_unless_begun(
    lead: Membership, tracks: list[Track], crate: Crate
) -> None:
    factories.draft(tracks[0], crate.convention_version)
    Job.objects.filter(kind=JobKind.DRAFT).delete()
    change = change_many(member=lead, kind=BulkKind.DRAFT, tracks=tracks)
    assert change.words == "A draft was asked for of 3 tracks. 1 was passed over: nothing to do there."
    again = change_many(member=lead, kind=BulkKind.DRAFT, tracks=tracks)
    assert again.words == "A draft was asked for of No tracks. 4 were passed over: nothing to do there."
    assert not may_undo(again)
    assert claim(Job.objects.get(kind=JobKind.DRAFT, track=tracks[1]).pk) is not None
    result = undo(member=lead, change=change)
    assert (result.back, result.left) == (2, 1)
    states = list(Job.objects.filter(kind=JobKind.DRAFT).order_by("state").values_list("state", flat=True))
    assert states == [JobState.CANCELLED, JobState.CANCELLED, JobState.LEASED]


def test_who_may_and_what_is_refused(
    lead: Membership, resident: Membership, newcomer: Membership, tracks: list[Track], friday: Crate
) -> None:
    for member, kind in ((newcomer, BulkKind.PUT), (newcomer, BulkKind.DRAFT), (resident, BulkKind.ASSIGN)):
        with pytest.raises(Refused):
            change_many(member=member, kind=kind, tracks=tracks, crate=friday, to=resident)
    for what, chosen in (("put", tracks), ("assign", tracks), ("release", []), ("nonsense", tracks)):
        with pytest.raises(Invalid):
            change_many(member=lead, kind=what, tracks=chosen)
    assert not BulkChange.objects.exists()
    stranger = factories.crew_with()
    assert chosen_tracks(stranger, [track.pk for track in tracks]) == []
    change = change_many(member=resident, kind=BulkKind.PUT, tracks=tracks, crate=friday)
    for member in (lead, stranger):
        with pytest.raises(NotFound):
            bulk_change_for(member, change.pk)
    BulkChange.objects.update(created_at=timezone.now() - dt.timedelta(minutes=31))
    late = bulk_change_for(resident, change.pk)
    assert not may_undo(late)
    with pytest.raises(Conflict):
        undo(member=resident, change=late)
    assert len(inside(friday)) == 4


def test_one_failure_leaves_nothing_half_done(
    lead: Membership, tracks: list[Track], friday: Crate, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[object] = []

    def failing(**values: object) -> CrateTrack:
        calls.append(values)
        if len(calls) == 3:
            raise RuntimeError
        return put_in_crate(**values)  # type: ignore[arg-type]  # passed on as they came

    monkeypatch.setattr("crewprep.library.bulk.put_in_crate", failing)
    with pytest.raises(RuntimeError):
        change_many(member=lead, kind=BulkKind.PUT, tracks=tracks, crate=friday)
    assert (inside(friday), BulkChange.objects.count()) == (set(), 0)
