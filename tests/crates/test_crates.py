"""Crates, their convention, and tracks in them."""

from __future__ import annotations

import datetime as dt

import pytest

from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crates.selectors import crate_for, crates_of
from crewprep.crates.services import make_crate
from crewprep.crews.models import Membership, Role
from crewprep.jobs.models import Job, JobKind
from crewprep.review.services import approve_proposal
from crewprep.sheets.selectors import crates_with_sheets
from crewprep.sheets.services import put_in_crate
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_crate_is_pinned_to_its_version(lead: Membership) -> None:
    first = factories.convention(lead)
    crate = make_crate(member=lead, name="Friday", convention_version=first, night_date=dt.date(2027, 1, 8))
    factories.convention(lead)
    crate.refresh_from_db()
    assert crate.convention_version == first
    assert crate.night is not None
    assert crate.night.date == dt.date(2027, 1, 8)


def test_refusals_have_reasons_and_leave_nothing(lead: Membership) -> None:
    version = factories.convention(lead)
    with pytest.raises(Refused):
        make_crate(member=factories.member_of(lead.crew, Role.NEWCOMER), name="Friday", convention_version=version)
    with pytest.raises(Invalid):
        make_crate(member=lead, name="  ", convention_version=version)
    with pytest.raises(Invalid):
        make_crate(member=lead, name="Friday", convention_version=None)
    assert not crates_of(lead).exists()
    make_crate(member=lead, name="Friday", convention_version=version)
    with pytest.raises(Conflict) as conflict:
        make_crate(member=lead, name="Friday", convention_version=version)
    assert "Friday" in conflict.value.sentence


def test_another_crews_crate_looks_like_none(lead: Membership) -> None:
    theirs = factories.crate(factories.crew_with())
    with pytest.raises(NotFound):
        crate_for(lead, theirs.pk)


def test_a_crate_counts_tracks_and_sheets(lead: Membership) -> None:
    crate = factories.crate(lead)
    proposal = factories.proposal(factories.member_of(lead.crew), into=crate)
    factories.track(lead, crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    counted = vars(crates_with_sheets(lead)[0])
    assert (counted["track_count"], counted["sheet_count"]) == (2, 1)


def test_a_track_in_a_second_crate_is_drafted_by_that_crates_convention_once(lead: Membership) -> None:
    track = factories.analysed_track(lead, factories.crate(lead))
    factories.convention(lead, slots=5)
    second = factories.crate(lead)
    put_in_crate(member=lead, crate=second, track=track)
    put_in_crate(member=lead, crate=second, track=track)

    drafts = Job.objects.filter(
        track=track, kind=JobKind.DRAFT, params__convention_version=str(second.convention_version_id)
    )
    assert drafts.count() == 1
    assert second.places.count() == 1
