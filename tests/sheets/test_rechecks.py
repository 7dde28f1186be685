"""Publishing opens a list of exactly the sheets it touches; approvals and notes close it; crates are moved."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, transaction

from crewprep.activity.models import Activity
from crewprep.analysis.models import Analysis
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.services import save_draft
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobKind
from crewprep.review.selectors import changes_of
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.affected import effect_on_crate
from crewprep.sheets.models import Recheck, SheetVersion
from crewprep.sheets.publishing import effect_of_draft, move_crate, publish, publish_document
from crewprep.sheets.rechecks import recheck_for, recheck_progress, rechecks_of, still_right
from crewprep.tracks.models import Track
from tests import factories
from tests.factories.music import convention_document

pytestmark = pytest.mark.django_db


def changed(
    *changes: tuple[int, dict[str, Any]], leave_out: tuple[int, ...] = (), name: str = "House"
) -> dict[str, Any]:
    document = convention_document(name)
    for number, fields in changes:
        document["slots"][number - 1].update(fields)
    kept = [slot for old, slot in enumerate(document["slots"], start=1) if old not in leave_out]
    return {**document, "slots": sorted(kept, key=lambda slot: slot["number"])}


SWAPPED = changed((4, {"number": 6}), (6, {"number": 4}))


def approved(
    lead: Membership, resident: Membership, crate: Crate, *, slots: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 8),
    made: Track | None = None, version: ConventionVersion | None = None,
) -> SheetVersion:  # fmt: skip
    """An approved sheet with markers in some slots."""
    track = made or factories.analysed_track(resident, crate)
    markers = [marker for marker in factories.eight_markers(factories.analysis_result()) if marker.slot in slots]
    proposal = propose(
        member=resident, track=track, convention_version=version or crate.convention_version, markers=markers,
        override_reason="made up",
    )  # fmt: skip
    return approve_proposal(member=lead, proposal=proposal, seen_revision=1)


def listed(member: Membership, version: ConventionVersion) -> dict[Any, list[tuple[str, int]]]:
    return {
        recheck.sheet_id: [(reason["kind"], reason["slot"]) for reason in recheck.reasons]
        for recheck in rechecks_of(member, version)
    }


def test_publishing_shows_first_what_it_lists_then(lead: Membership, resident: Membership, crate: Crate) -> None:
    whole, few = approved(lead, resident, crate), approved(lead, resident, crate, slots=(1, 8))
    bare = approved(lead, resident, crate, slots=(1,))
    document = changed((8, {"loop_bars": 8}), (7, {"required": True}), leave_out=(5,))
    draft = save_draft(member=lead, document=document, seen_revision=0)
    effect = effect_of_draft(draft)
    assert (effect.kept, [line.sheet for line in effect.touched]) == (0, sorted(
        [whole, few, bare], key=lambda sheet: sheet.track.title))  # fmt: skip
    assert [(one.kind, one.slot, one.sheets) for one in effect.counts] == [
        ("needed", 7, 3), ("loop too short", 8, 2), ("retired", 5, 1),
    ]  # fmt: skip
    version = publish(member=lead, draft=draft, seen_revision=1)
    assert listed(resident, version) == {
        whole.pk: [("retired", 5), ("needed", 7), ("loop too short", 8)],
        few.pk: [("needed", 7), ("loop too short", 8)],
        bare.pk: [("needed", 7)],
    }
    assert Activity.objects.get(verb="re-check list opened").details == {"version": str(version), "sheets": 3}


def test_sheets_that_keep_their_meaning_are_not_listed(lead: Membership, resident: Membership, crate: Crate) -> None:
    touched, kept = approved(lead, resident, crate), approved(lead, resident, crate, slots=(1, 2, 8))
    version = publish_document(member=lead, document=SWAPPED)
    assert listed(lead, version) == {touched.pk: [("renumbered", 4), ("renumbered", 6)]}
    assert kept.pk not in listed(lead, version)
    assert publish_document(member=lead, document=changed((1, {"name": "Way in"}))).number == 3


def test_only_the_latest_sheets_of_the_same_convention_count(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    first = approved(lead, resident, crate)
    second = approved(lead, resident, crate, made=first.track, slots=(1, 2, 4))
    other = publish_document(member=lead, document={**SWAPPED, "name": "Another"})
    assert listed(lead, other) == {}
    version = publish_document(member=lead, document=SWAPPED)
    assert listed(lead, version) == {second.pk: [("renumbered", 6)]}
    stranger = factories.crew_with()
    assert list(rechecks_of(stranger, version)) == []
    with pytest.raises(NotFound):
        recheck_for(stranger, Recheck.objects.get().pk)


def test_a_sheet_by_the_new_version_closes_its_re_check(lead: Membership, resident: Membership, crate: Crate) -> None:
    one, two = approved(lead, resident, crate), approved(lead, resident, crate)
    version = publish_document(member=lead, document=SWAPPED)
    assert recheck_progress(lead, [version])[version.pk].open == 2
    new = approved(lead, resident, crate, made=one.track, version=version)
    progress = recheck_progress(lead, [version])[version.pk]
    assert (progress.total, progress.open, progress.closed) == (2, 1, 1)
    closed = Recheck.objects.get(sheet=one)
    assert (closed.ended, closed.closed_by, new.number) == ("sheet", lead.user, 2)
    assert [recheck.sheet for recheck in rechecks_of(lead, version)] == [two, one], "the open ones come first"
    row = Activity.objects.get(verb="re-check closed")
    assert (row.actor, row.subject_id, row.details["how"]) == (lead.user, closed.pk, "sheet")


def test_a_later_version_closes_earlier_lists_too(lead: Membership, resident: Membership, crate: Crate) -> None:
    sheet = approved(lead, resident, crate)
    second = publish_document(member=lead, document=SWAPPED)
    third = publish_document(member=lead, document=changed((8, {"loop_bars": 8})))
    assert listed(lead, third) == {sheet.pk: [("loop too short", 8)]}
    approved(lead, resident, crate, made=sheet.track, version=third)
    assert all(progress.open == 0 for progress in recheck_progress(lead, [second, third]).values())


def test_a_sheet_that_is_approved_by_an_older_version_is_listed_in_place_of_the_last(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    """A pending proposal stays with its version; what becomes of it is looked at like any other sheet."""
    first = approved(lead, resident, crate)
    fresh = factories.proposal(resident, into=crate)
    again = factories.proposal(resident, made=first.track, into=crate)
    version = publish_document(member=lead, document=SWAPPED)
    assert set(listed(lead, version)) == {first.pk}
    second = approve_proposal(member=lead, proposal=again, seen_revision=1)
    new = approve_proposal(member=lead, proposal=fresh, seen_revision=1)
    assert set(listed(lead, version)) == {second.pk, new.pk}
    assert recheck_progress(lead, [version])[version.pk].open == 2


def test_a_member_says_with_a_note_that_a_sheet_is_still_right(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate
) -> None:
    sheet = approved(lead, resident, crate)
    version = publish_document(member=lead, document=changed((7, {"required": True})))
    recheck = rechecks_of(lead, version).get()
    with pytest.raises(Refused):
        still_right(member=newcomer, recheck=recheck, note="no voice")
    with pytest.raises(Invalid):
        still_right(member=resident, recheck=recheck, note="  ")
    still_right(member=resident, recheck=recheck, note="Nobody sings in it.")
    with pytest.raises(Conflict):
        still_right(member=lead, recheck=recheck, note="I say so too.")
    recheck.refresh_from_db()
    assert (recheck.ended, recheck.note, recheck.closed_by) == ("still right", "Nobody sings in it.", resident.user)
    assert Activity.objects.get(verb="re-check closed").details["note"] == "Nobody sings in it."
    assert sheet.track.sheet_versions.count() == 1
    with pytest.raises(IntegrityError), transaction.atomic():
        Recheck.objects.filter(pk=recheck.pk).update(closed_by=None)


def test_a_crate_is_moved_and_its_tracks_drafted_anew(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate
) -> None:
    sheet = approved(lead, resident, crate)
    pending = factories.proposal(resident, into=crate)
    other = publish_document(member=lead, document={**SWAPPED, "name": "Another"})
    first = crate.convention_version
    effect = effect_on_crate(crate, other)
    assert [(line.sheet, [one.kind for one in line.reasons]) for line in effect.touched] == [
        (sheet, ["renumbered", "renumbered"])
    ]
    with pytest.raises(Refused):
        move_crate(member=newcomer, crate=crate, version=other, seen_version=first)
    with pytest.raises(Conflict, match="follows"):
        move_crate(member=resident, crate=crate, version=first, seen_version=first)
    Job.objects.filter(kind=JobKind.DRAFT).delete()
    assert move_crate(member=resident, crate=crate, version=other, seen_version=first) == 1
    assert crate.convention_version == other
    jobs = Job.objects.filter(kind=JobKind.DRAFT, params__convention_version=str(other.pk))
    assert {job.track_id for job in jobs} == {sheet.track_id, pending.track_id}
    assert set(listed(lead, other)) == {sheet.pk}
    pending.refresh_from_db()
    assert (pending.state, pending.convention_version) == ("open", first)
    stale = Crate.objects.get(pk=crate.pk)
    stale.convention_version = first
    with pytest.raises(Conflict):
        move_crate(member=lead, crate=stale, version=other, seen_version=first)
    assert move_crate(member=lead, crate=crate, version=first, seen_version=other) == 0
    assert Activity.objects.filter(verb="crate moved").count() == 2


def test_a_reviewer_sees_what_changed_by_function(lead: Membership, resident: Membership, crate: Crate) -> None:
    sheet = approved(lead, resident, crate)
    version = publish_document(member=lead, document=SWAPPED)
    beats = factories.analysis_result().beats_us
    markers = factories.eight_markers(factories.analysis_result())
    swapped = {4: beats[72 * 4], 6: beats[41 * 4]}  # the first drop, slot 6 now, one bar later
    proposal = propose(
        member=resident, track=sheet.track, convention_version=version, override_reason="made up",
        markers=[type(one)(one.slot, swapped.get(one.slot, one.start_us), one.end_us) for one in markers],
    )  # fmt: skip
    assert {change.slot: change.kind for change in changes_of(proposal) if change.kind != "kept"} == {6: "moved"}


def test_the_effect_is_asked_for_with_few_queries_and_no_facts(
    lead: Membership, resident: Membership, crate: Crate, django_assert_num_queries: Any
) -> None:
    for _ in range(3):
        approved(lead, resident, crate)
    document = changed((8, {"loop_bars": 8}), (4, {"number": 6}), (6, {"number": 4}))
    draft = save_draft(member=lead, document=document, seen_revision=0)
    Analysis.objects.update(facts={})  # whoever read them would fail
    with django_assert_num_queries(4):
        assert len(effect_of_draft(draft).touched) == 3
