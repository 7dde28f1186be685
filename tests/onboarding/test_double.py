"""Double marking: opened, marked unseen, handed in, closed; and who sees what when."""

from __future__ import annotations

from typing import Any

import pytest

from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership, Role
from crewprep.models import Activity, Crate, Track
from crewprep.onboarding.double import (
    Sample,
    SheetCounts,
    blind_sheet_for,
    blind_sheets_of,
    close_double_marking,
    counts_of,
    double_marking_for,
    double_markings_of,
    hand_in_blind,
    keep_blind,
    marked_tracks,
    may_see_report,
    open_double_marking,
    progress_of,
    tracks_for,
)
from crewprep.onboarding.double_report import report_of
from crewprep.onboarding.models import BlindSheet, DoubleMarking
from crewprep.preparation.services import claim_track
from crewprep.sheets.keeping import Work, keep_sheet
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db

MARKERS = (MarkerInput(1, 250_000), MarkerInput(4, 75_250_000), MarkerInput(8, 165_250_000, 172_750_000))


@pytest.fixture
def other(lead: Membership) -> Membership:
    return factories.member_of(lead.crew)


@pytest.fixture
def version(crate: Crate) -> ConventionVersion:
    return crate.convention_version


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    return [factories.analysed_track(lead, crate) for _ in range(2)]


@pytest.fixture
def marking(
    lead: Membership, resident: Membership, other: Membership, version: ConventionVersion, tracks: list[Track]
) -> DoubleMarking:
    return open_double_marking(member=lead, name="November", version=version, tracks=tracks, members=[resident, other])


def hand_in(member: Membership, marking: DoubleMarking, track: Track, markers=MARKERS) -> BlindSheet:
    sheet = blind_sheet_for(member, marking, track.pk)
    return hand_in_blind(member=member, sheet=sheet, markers=markers, seen_revision=sheet.revision)


def test_a_lead_opens_it_and_each_member_gets_a_sheet_a_track(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    assert BlindSheet.objects.count() == 4
    assert [sheet.track for sheet in blind_sheets_of(resident, marking)] == sorted(tracks, key=lambda one: one.title)
    assert [(one.person, one.handed_in, one.total) for one in progress_of(marking)] == [
        (person, 0, 2) for person in sorted([resident.user, other.user], key=str)
    ]
    details = Activity.objects.get(verb="double marking opened").details
    assert details == {"name": "November", "tracks": 2, "members": 2}
    assert list(double_markings_of(resident)) == [marking]
    assert counts_of(resident, [marking]) == {marking.pk: SheetCounts(4, 0, 2, 2)}
    assert counts_of(lead, [marking]) == {marking.pk: SheetCounts(4, 0, 0, 0)}


def test_what_cannot_be_opened_is_refused_and_leaves_nothing(
    lead: Membership,
    resident: Membership,
    newcomer: Membership,
    other: Membership,
    version: ConventionVersion,
    marking: DoubleMarking,
    crate: Crate,
):
    fresh = [factories.analysed_track(lead, crate)]
    waiting = factories.track(lead, crate)
    with pytest.raises(Refused):
        open_double_marking(member=resident, name="x", version=version, tracks=fresh, members=[resident, other])
    for code, changes in (
        ("double:name-missing", {"name": "  "}),
        ("double:name-taken", {"name": "November"}),
        ("double:members", {"members": [resident, resident]}),
        ("double:not-a-reviewer", {"members": [resident, newcomer]}),
        ("double:tracks", {"tracks": []}),
        ("double:tracks", {"tracks": Sample(0, 1)}),
        ("double:track-known", {"tracks": [waiting]}),
        ("double:too-few-tracks", {"tracks": Sample(2, 1)}),
    ):
        asked: dict[str, Any] = {
            "name": "x",
            "version": version,
            "tracks": fresh,
            "members": [resident, other],
            **changes,
        }
        with pytest.raises((Invalid, Conflict)) as refused:
            open_double_marking(member=lead, **asked)
        assert refused.value.code == code
    assert DoubleMarking.objects.count() == 1


def test_tracks_that_a_member_has_worked_on_are_no_choice(
    lead: Membership, resident: Membership, other: Membership, version: ConventionVersion, crate: Crate
):
    people = [resident.user_id, other.user_id]
    proposed, claimed, kept, free = (factories.analysed_track(lead, crate) for _ in range(4))
    factories.proposal(resident, made=proposed, into=crate)
    claim_track(member=other, track=claimed)
    work = Work([MarkerInput(1, 0)], "", "")
    keep_sheet(member=resident, track=kept, version=version, work=work, seen_revision=0)
    assert list(tracks_for(lead, people)) == [free]
    assert set(tracks_for(lead, [lead.user_id])) == {proposed, claimed, kept, free}
    for known in (proposed, claimed, kept):
        with pytest.raises(Invalid, match=known.title):
            open_double_marking(member=lead, name="x", version=version, tracks=[known, free], members=[resident, other])
    open_double_marking(member=lead, name="x", version=version, tracks=[free], members=[resident, lead])
    assert not tracks_for(lead, people).exists(), "a track is marked once by a member"
    assert list(tracks_for(lead, [other.user_id])) != []


def test_a_sample_is_drawn_by_its_seed(
    lead: Membership, resident: Membership, other: Membership, version: ConventionVersion, crate: Crate
):
    made = {factories.analysed_track(lead, crate).pk for _ in range(6)}
    marking = open_double_marking(
        member=lead, name="x", version=version, tracks=Sample(3, 17), members=[resident, other]
    )
    first = set(marking.tracks.values_list("pk", flat=True))
    assert len(first) == 3
    assert first < made
    assert Activity.objects.get(verb="double marking opened").details["seed"] == 17
    marking.delete()
    again = open_double_marking(member=lead, name="x", version=version, tracks=Sample(3, 17), members=[resident, other])
    assert set(again.tracks.values_list("pk", flat=True)) == first


def test_nobody_reaches_anothers_sheet(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    with pytest.raises(NotFound):
        blind_sheet_for(lead, marking, tracks[0].pk)
    theirs = blind_sheet_for(other, marking, tracks[0].pk)
    for member in (resident, lead):
        with pytest.raises(NotFound):
            keep_blind(member=member, sheet=theirs, markers=MARKERS, seen_revision=1)
        with pytest.raises(NotFound):
            hand_in_blind(member=member, sheet=theirs, markers=MARKERS, seen_revision=1)
    stranger = factories.crew_with()
    with pytest.raises(NotFound):
        double_marking_for(stranger, marking.pk)
    theirs.refresh_from_db()
    assert theirs.markers == []


def test_keeping_names_the_revision_that_was_seen(resident: Membership, marking: DoubleMarking, tracks: list[Track]):
    sheet = blind_sheet_for(resident, marking, tracks[0].pk)
    kept = keep_blind(member=resident, sheet=sheet, markers=MARKERS, seen_revision=1)
    assert (kept.revision, len(kept.markers)) == (2, 3)
    assert kept.markers[0] == {"slot": 1, "start_us": 250_000, "end_us": None}
    again = keep_blind(member=resident, sheet=sheet, markers=MARKERS, seen_revision=1)
    assert again.revision == 2, "an answer that was lost is no conflict"
    with pytest.raises(Conflict) as refused:
        keep_blind(member=resident, sheet=sheet, markers=MARKERS[:1], seen_revision=1)
    assert refused.value.code == "kept:other-window"
    with pytest.raises(Invalid):
        keep_blind(member=resident, sheet=sheet, markers=[MarkerInput(9, 0)], seen_revision=2)
    sheet.refresh_from_db()
    assert (sheet.revision, len(sheet.markers)) == (2, 3)


def test_others_markers_are_seen_once_all_of_ones_own_are_in(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    hand_in(other, marking, tracks[0])
    hand_in(resident, marking, tracks[0])
    for member in (resident, other, lead):
        assert not may_see_report(member, marking)
        with pytest.raises(Refused) as refused:
            marked_tracks(member, marking)
        assert refused.value.code == "double:not-yet"
    with pytest.raises(Conflict) as again:
        hand_in(resident, marking, tracks[0])
    assert again.value.code == "double:handed-in"
    hand_in(resident, marking, tracks[1])
    assert {sheet.by for sheet in marked_tracks(resident, marking)} == {resident.user, other.user}
    assert len(marked_tracks(resident, marking)) == 3, "what is not handed in is not shown"
    with pytest.raises(Refused):
        marked_tracks(lead, marking)
    hand_in(other, marking, tracks[1], MARKERS[:2])
    marking.refresh_from_db()
    assert marking.closed_at is not None, "the last sheet closes it"
    assert len(marked_tracks(lead, marking)) == 4
    assert Activity.objects.filter(verb="blind sheet handed in").count() == 4
    assert Activity.objects.get(verb="double marking finished").actor is None
    found = report_of(lead, marking).found
    counts = {slot.slot: slot.counts for slot in found.slots}
    assert counts[4]["exact"] == 2
    assert (counts[8]["exact"], counts[8]["missing"], counts[2]["both empty"]) == (1, 1, 2)


def test_a_lead_closes_it_with_what_is_there(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    hand_in(other, marking, tracks[0])
    with pytest.raises(Refused):
        close_double_marking(member=resident, marking=marking)
    close_double_marking(member=lead, marking=marking)
    assert Activity.objects.get(verb="double marking closed").actor == lead.user
    assert [sheet.by for sheet in marked_tracks(resident, marking)] == [other.user]
    with pytest.raises(Conflict) as closed:
        hand_in(resident, marking, tracks[0])
    assert closed.value.code == "double:closed"
    with pytest.raises(Conflict):
        close_double_marking(member=lead, marking=marking)


def test_who_left_leaves_the_rest_to_a_lead(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    Membership.objects.filter(pk=other.pk).delete()
    for track in tracks:
        hand_in(resident, marking, track)
    assert may_see_report(resident, marking)
    assert close_double_marking(member=lead, marking=marking).closed_at is not None


def test_a_newcomer_sees_the_report_of_a_closed_one_alone(lead: Membership, marking: DoubleMarking):
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    assert not may_see_report(newcomer, marking)
    close_double_marking(member=lead, marking=marking)
    assert may_see_report(newcomer, marking)
