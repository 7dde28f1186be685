"""The tables and the record each tell what the sheet was on any date, and they agree."""

from __future__ import annotations

import datetime as dt

import pytest

from crewprep.activity.models import Activity
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.review.content import digest_of
from crewprep.review.models import Proposal
from crewprep.review.replay import agrees, lives, recorded_sheet_as_of, recorded_sheets
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetMarker, SheetVersion
from crewprep.sheets.selectors import sheet_as_of, sheets_of

pytestmark = pytest.mark.django_db
MICROSECOND = dt.timedelta(microseconds=1)


@pytest.fixture
def three(proposal: Proposal, author: Membership, reviewer: Membership, crate: Crate) -> list[SheetVersion]:
    """Three versions of one track's sheet."""
    made = [approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)]
    for later in (1, 2):
        again = propose(
            member=author, track=proposal.track, convention_version=crate.convention_version, override_reason="x",
            markers=[MarkerInput(m.slot, m.start_us + later, m.end_us, "ä") for m in proposal.markers.all()],
        )  # fmt: skip
        made.append(approve_proposal(member=reviewer, proposal=again, seen_revision=1))
    return made


def test_both_tell_the_sheet_of_any_date(three: list[SheetVersion], author: Membership) -> None:
    track = three[0].track
    assert sheets_of(author, track) == three[::-1]
    before = three[0].created_at - MICROSECOND
    assert (sheet_as_of(track, before), recorded_sheet_as_of(track, before)) == (None, None)
    for sheet, following in zip(three, [*three[1:], None], strict=True):
        until = following.created_at - MICROSECOND if following else sheet.created_at + dt.timedelta(days=1)
        for when in (sheet.created_at, until):
            found, replayed = sheet_as_of(track, when), recorded_sheet_as_of(track, when)
            assert found == sheet
            assert replayed is not None
            assert agrees(sheet, replayed)


def test_the_digest_of_a_sheet_follows_from_its_rows(three: list[SheetVersion]) -> None:
    for sheet in three:
        proposal = Proposal.objects.get(sheet=sheet)
        assert sheet.digest == digest_of(proposal, sheet.markers.all())


def test_a_table_that_was_tampered_with_is_found(three: list[SheetVersion]) -> None:
    track = three[0].track
    SheetMarker.objects.filter(sheet=three[1], slot=4).update(start_us=7)
    found = [agrees(sheet, kept) for sheet, kept in zip(three, recorded_sheets(track), strict=True)]
    assert found == [True, False, True]


def test_a_record_that_tells_of_a_forbidden_move_is_found(proposal: Proposal, author: Membership) -> None:
    def row(verb: str, **details: object) -> Activity:
        return Activity(subject_kind="proposal", subject_id=proposal.pk, verb=verb, details=details)

    told = [row("proposed"), row("withdrawn", revision=1)]
    assert lives(told)[proposal.pk].state == "withdrawn"
    with pytest.raises(AssertionError, match="withdrawn"):
        lives([*told, row("approved", revision=1, sheet=1)])
