"""Splitting a crate: looked at, adjusted, applied by one of two leads, and divided again when somebody drops out."""

from __future__ import annotations

import pytest

from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.services import add_track
from crewprep.crews.models import Membership, Role
from crewprep.models import Activity, Assignment, Crate, Split, Track
from crewprep.preparation.selectors import assigned_to, assignments_of, live_claim
from crewprep.preparation.services import claim_track
from crewprep.review.services import approve_proposal, return_proposal
from crewprep.splitting.selectors import Preview, Stage, my_tracks, preview_of, to_do_in
from crewprep.splitting.services import Wanted, apply_split, split_again
from tests import factories
from tests.review.test_rival_verdicts import race, rounds

pytestmark = pytest.mark.django_db


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    made = [factories.analysed_track(lead, crate) for _ in range(6)]
    for one in made:
        factories.draft(one, crate.convention_version)
    return made


def look(lead: Membership, crate: Crate, *members: Membership, minutes: int = 600, **options) -> Preview:
    return preview_of(to_do_in(crate, lead), {one.user_id: minutes for one in members}, **options)


def wanted(preview: Preview) -> list[Wanted]:
    return [Wanted(one.track.pk, one.preparer, one.reviewer) for one in preview.tracks]


def put(lead: Membership, crate: Crate, preview: Preview, seen: int | None = None, **options) -> Split:
    free = {load.member.user_id: load.free for load in preview.loads}
    return apply_split(
        member=lead, crate=crate, wanted=wanted(preview), free=free,
        seen_revision=preview.to_do.revision if seen is None else seen, **options,
    )  # fmt: skip


def test_each_track_gets_a_preparer_and_another_member_as_reviewer(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    preview = look(lead, crate, lead, resident, newcomer)
    assert {one.track for one in preview.tracks} == set(tracks)
    assert not preview.without_preparer
    assert not preview.without_reviewer
    assert all(one.reviewer in {lead.user_id, resident.user_id} - {one.preparer} for one in preview.tracks)
    assert {load.to_review for load in preview.loads} == {0, 3}
    split = put(lead, crate, preview)
    assert (split.revision, Assignment.objects.count()) == (1, 6)
    assert Activity.objects.get(verb="crate split").details["tracks"] == 6
    again = look(lead, crate, lead, resident, newcomer)
    assert wanted(again) == wanted(preview), "what is assigned is kept"


def test_what_is_held_or_proposed_stays_and_counts(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    claim_track(member=newcomer, track=tracks[0])
    factories.proposal(resident, made=tracks[1], into=crate)
    returned = factories.proposal(newcomer, made=tracks[2], into=crate)
    return_proposal(member=lead, proposal=returned, seen_revision=1, note="again")
    done = factories.proposal(resident, made=tracks[3], into=crate)
    approve_proposal(member=lead, proposal=done, seen_revision=1)
    found = {one.track: one for one in look(lead, crate, lead, resident, keep=False).tracks}
    assert set(found) == set(tracks) - {tracks[3]}
    assert (found[tracks[0]].preparer, found[tracks[0]].settled) == (newcomer.user_id, "holds it")
    waits = found[tracks[1]]
    assert (waits.stage, waits.prepare, waits.preparer, waits.reviewer) == (
        Stage.REVIEW, 0, resident.user_id, lead.user_id,
    )  # fmt: skip
    back = found[tracks[2]]
    assert (back.stage, back.preparer) == (Stage.RETURNED, newcomer.user_id)
    assert 0 < back.prepare < found[tracks[4]].prepare
    loads = {load.member: load for load in look(lead, crate, lead, resident).loads}
    assert loads[newcomer].free == 0
    assert loads[newcomer].over == loads[newcomer].total > 0, "whoever was not asked is shown with what they hold"


def test_a_sheet_by_another_version_is_to_be_checked_again(
    lead: Membership, resident: Membership, crate: Crate, tracks: list[Track]
):
    for one in tracks[:2]:
        approve_proposal(member=lead, proposal=factories.proposal(resident, made=one, into=crate), seen_revision=1)
    crates = []
    for name in ("House", "Garage"):
        version = factories.convention(lead, name=name)
        made = factories.crate(lead)
        assert made.convention_version == version != crate.convention_version
        for one in tracks:
            add_track(crate=made, track=one)
        crates.append(made)
    newer, other = crates
    assert tracks[0] not in {one.track for one in to_do_in(crate, lead).tracks}
    assert tracks[0] not in {one.track for one in to_do_in(newer, lead).tracks}, "it keeps its meaning"
    found = {one.track: one for one in to_do_in(other, lead).tracks}
    assert (found[tracks[0]].stage, found[tracks[5]].stage) == (Stage.RECHECK, Stage.PREPARE)
    assert 0 < found[tracks[0]].prepare < found[tracks[5]].prepare
    put(lead, other, look(lead, other, lead, resident))
    assert Assignment.objects.get(track=tracks[0]).minutes == found[tracks[0]].prepare
    assert {row.track for row in assigned_to(resident)} | {row.track for row in assigned_to(lead)} == set(tracks)


def test_what_does_not_fit_is_said(lead: Membership, resident: Membership, crate: Crate, tracks: list[Track]):
    minutes = to_do_in(crate, lead).tracks[0].prepare
    preview = look(lead, crate, lead, resident, minutes=2 * minutes)
    assert 0 < len(preview.without_preparer) < 6
    assert all(load.over == 0 for load in preview.loads)
    put(lead, crate, preview)
    assert Assignment.objects.count() == 6 - len(preview.without_preparer)


def test_one_of_two_leads_applies_and_the_other_looks_again(
    lead: Membership, resident: Membership, crate: Crate, tracks: list[Track]
):
    first, second = look(lead, crate, lead, resident), look(lead, crate, lead, resident, minutes=60)
    put(lead, crate, first)
    with pytest.raises(Conflict, match="Another lead split"):
        put(lead, crate, second)
    with pytest.raises(Conflict, match="Another lead split"):
        put(lead, crate, second, seen=7)
    assert wanted(look(lead, crate)) == wanted(first)
    put(lead, crate, second, seen=1)
    assert Split.objects.get().revision == 2


def test_leads_split_and_a_refused_one_changes_nothing(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    preview = look(lead, crate, lead, resident)
    with pytest.raises(Refused):
        put(resident, crate, preview)
    with pytest.raises(Refused):
        split_again(member=resident, crate=crate, out=lead, seen_revision=0)
    claim_track(member=newcomer, track=tracks[0])
    stranger = factories.crew_with()
    good = wanted(preview)[1:]
    title = tracks[0].title
    for preparer, reviewer, code in (
        (lead.user_id, None, "split:settled"),
        (newcomer.user_id, newcomer.user_id, "split:own"),
        (stranger.user_id, None, "split:stranger"),
    ):
        with pytest.raises((Conflict, Invalid), match=title) as refused:
            apply_split(
                member=lead, crate=crate, free={}, seen_revision=0,
                wanted=[*good, Wanted(tracks[0].pk, preparer, reviewer)],
            )  # fmt: skip
        assert refused.value.code == code
    for odd, code in (
        (Wanted(tracks[1].pk, lead.user_id, newcomer.user_id), "split:not-yet"),
        (Wanted(factories.track(lead).pk, lead.user_id, None), "split:done"),
        (good[1], "split:twice"),
    ):
        with pytest.raises((Conflict, Invalid)) as refused:
            apply_split(member=lead, crate=crate, free={}, seen_revision=0, wanted=[*good[1:], odd])
        assert refused.value.code == code
    assert not Split.objects.exists()
    assert not Assignment.objects.exists()


def test_who_drops_out_leaves_the_unfinished_to_the_others(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    put(lead, crate, look(lead, crate, lead, resident, newcomer))
    before = assignments_of(crate)
    mine = [track for track in tracks if before[track.pk].preparer_id == newcomer.user_id]
    assert len(mine) >= 2
    claim_track(member=newcomer, track=mine[0])
    factories.proposal(newcomer, made=mine[1], into=crate)
    split_again(member=lead, crate=crate, out=newcomer, seen_revision=1)
    after = assignments_of(crate)
    assert live_claim(mine[0]) is None, "what they held is free"
    assert after[mine[0].pk].preparer_id in {lead.user_id, resident.user_id}
    assert after[mine[1].pk].preparer_id == newcomer.user_id, "it waits for its review alone"
    for track in set(tracks) - set(mine):
        kept = (before[track.pk].preparer_id, before[track.pk].reviewer_id)
        assert (after[track.pk].preparer_id, after[track.pk].reviewer_id) == kept
    assert Split.objects.get().free_minutes.keys() == {str(lead.user_id), str(resident.user_id)}
    assert Activity.objects.filter(verb="track released").count() == 1


def test_who_left_the_crew_or_may_not_review_any_more_is_nobodys_choice(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, tracks: list[Track]
):
    put(lead, crate, look(lead, crate, lead, resident))
    Membership.objects.filter(pk=resident.pk).update(role=Role.NEWCOMER)
    assert all(one.reviewer in {None, lead.user_id} for one in to_do_in(crate, lead).tracks)
    Membership.objects.filter(pk=resident.pk).delete()
    assert all(one.preparer in {None, lead.user_id} for one in to_do_in(crate, lead).tracks)


def test_my_tracks_are_what_i_can_do_now(lead: Membership, resident: Membership, crate: Crate, tracks: list[Track]):
    put(lead, crate, look(lead, crate, lead, resident))
    mine = my_tracks(resident)
    assert (len(mine.prepare), len(mine.review), mine.later) == (3, 0, 3)
    assert mine.minutes == sum(one.assignment.minutes for one in mine.prepare)
    theirs = my_tracks(lead).prepare[0].assignment.track
    proposal = factories.proposal(lead, made=theirs, into=crate)
    mine = my_tracks(resident)
    assert [one.proposal for one in mine.review] == [proposal]
    assert (mine.later, len(my_tracks(lead).prepare)) == (2, 2)
    return_proposal(member=resident, proposal=proposal, seen_revision=1, note="again")
    back = next(one for one in my_tracks(lead).prepare if one.assignment.track == theirs)
    assert 0 < back.minutes < back.assignment.minutes
    other = my_tracks(resident).prepare[0].assignment.track
    approve_proposal(member=lead, proposal=factories.proposal(resident, made=other, into=crate), seen_revision=1)
    assert len(my_tracks(resident).prepare) == 2
    crate.places.filter(track=theirs).delete()
    assert theirs not in {row.track for row in assigned_to(lead)}


def test_it_takes_as_many_queries_for_many_tracks_as_for_few(
    lead: Membership, resident: Membership, crate: Crate, tracks: list[Track], django_assert_num_queries
):
    put(lead, crate, look(lead, crate, lead, resident))
    with django_assert_num_queries(12):
        to_do_in(crate, lead)
    for _ in range(4):
        factories.draft(factories.analysed_track(lead, crate), crate.convention_version)
    with django_assert_num_queries(12):
        to_do_in(crate, lead)


@pytest.mark.django_db(transaction=True)
def test_of_two_leads_at_the_same_moment_one_applies():
    lead = factories.crew_with()
    other = factories.member_of(lead.crew, Role.LEAD)
    crate = factories.crate(lead)
    factories.analysed_track(lead, crate)
    for number in range(rounds()):
        views = [look(one, crate, lead, other, keep=False) for one in (lead, other)]
        outcomes = race(
            *(lambda one=one, view=view: put(one, crate, view) for one, view in zip((lead, other), views, strict=True))
        )
        assert outcomes == {"won": 1, "conflict": 1}, number
        assert Assignment.objects.count() == 1
        assert Split.objects.get().revision == number + 1
