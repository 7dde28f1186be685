"""Bulk approval: the draft itself, sure enough, past every check; each still one member's named decision."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crewprep.activity.models import Activity
from crewprep.common.errors import Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.bulk import BulkLine, Pick, approve_in_bulk, bulk_lines
from crewprep.review.models import Proposal
from crewprep.review.options import set_options
from crewprep.review.services import RemarkInput, amend_proposal, propose, return_proposal
from crewprep.sheets.checking import set_severities
from crewprep.sheets.house_checks import CHECKS
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def on(lead: Membership) -> None:
    """From 80 per cent, what the factories' drafts have; the checks that their made-up seams break are off."""
    set_options(member=lead, two_reviewers=False, bulk_confidence=0.8)


def drafted(member: Membership, crate: Crate) -> Proposal:
    """A proposal that is the draft."""
    track = factories.analysed_track(member, crate)
    draft = factories.draft(track, crate.convention_version)
    return propose(
        member=member, track=track, convention_version=crate.convention_version,
        markers=[MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()],
    )  # fmt: skip


def line_of(member: Membership, proposal: Proposal) -> BulkLine:
    return next(line for line in bulk_lines(member) if line.proposal == proposal)


def pick(line: BulkLine) -> Pick:
    return Pick(line.proposal.pk, line.proposal.revision, line.digest)


def test_what_passes_is_approved_one_by_one(on: None, author: Membership, reviewer: Membership, crate: Crate) -> None:
    proposals = [drafted(author, crate) for _ in range(3)]
    lines = bulk_lines(reviewer)
    assert [line.why_not for line in lines] == ["", "", ""]
    assert {line.confidence for line in lines} == {0.8}
    outcomes = approve_in_bulk(member=reviewer, picks=[pick(line) for line in lines], note="As drafted.")
    assert [outcome.refused for outcome in outcomes] == [None, None, None]
    assert {sheet.approved_by for sheet in SheetVersion.objects.all()} == {reviewer.user}
    rows = Activity.objects.filter(verb="approved")
    assert {row.subject_id for row in rows} == {proposal.pk for proposal in proposals}
    assert {row.actor for row in rows} == {reviewer.user}
    assert len(rows) == 3


def test_unset_it_is_off(author: Membership, reviewer: Membership, crate: Crate) -> None:
    line = line_of(reviewer, drafted(author, crate))
    assert "switched off" in line.why_not
    with pytest.raises(Refused) as refused:
        approve_in_bulk(member=reviewer, picks=[pick(line)])
    assert refused.value.code == "review:bulk-off"


def refused_for(member: Membership, proposal: Proposal) -> str:
    """Why not, which an attempt past the page says too."""
    line = line_of(member, proposal)
    (outcome,) = approve_in_bulk(member=member, picks=[pick(line)])
    assert outcome.refused is not None
    assert line.why_not in outcome.refused.sentence
    assert not SheetVersion.objects.exists()
    return line.why_not


def test_ones_own_is_left_out_and_a_newcomer_has_none(on: None, author: Membership, lead: Membership, crate: Crate):
    proposal = drafted(author, crate)
    assert "another member must review" in refused_for(author, proposal)
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    assert "Only leads and residents" in refused_for(newcomer, proposal)


def test_less_sure_than_asked_is_left_out(on: None, author: Membership, lead: Membership, crate: Crate) -> None:
    proposal = drafted(author, crate)
    set_options(member=lead, two_reviewers=False, bulk_confidence=0.81)
    assert "80%" in refused_for(lead, proposal)


def test_what_is_not_the_draft_is_left_out(on: None, author: Membership, lead: Membership, crate: Crate) -> None:
    assert "no draft" in refused_for(lead, factories.proposal(author, into=crate))
    proposal = drafted(author, crate)
    markers = [MarkerInput(m.slot, m.start_us, m.end_us, "here") for m in proposal.markers.all()]
    amend_proposal(member=author, proposal=proposal, markers=markers, seen_revision=1)
    assert "not the draft's" in refused_for(lead, proposal)


def test_any_finding_leaves_it_out(on: None, author: Membership, lead: Membership, crate: Crate) -> None:
    track = factories.analysed_track(author, crate)
    draft = factories.draft(track, crate.convention_version)
    first = draft.markers.get(slot=1)
    draft.markers.filter(slot=1).update(start_us=first.start_us + 100_000)
    set_severities(member=lead, severities=dict.fromkeys([check.code for check in CHECKS], "note"))
    proposal = propose(
        member=author, track=track, convention_version=crate.convention_version,
        markers=[MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()],
    )  # fmt: skip
    assert "house check" in refused_for(lead, proposal)
    set_severities(member=lead, severities=dict.fromkeys([check.code for check in CHECKS], "off"))
    assert line_of(lead, proposal).why_not == ""


def test_an_open_remark_leaves_it_out(
    on: None, author: Membership, reviewer: Membership, lead: Membership, crate: Crate
) -> None:
    proposal = drafted(author, crate)
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "Late?")])
    markers = [MarkerInput(m.slot, m.start_us, m.end_us) for m in proposal.markers.all()]
    amend_proposal(member=author, proposal=proposal, markers=markers, seen_revision=1)
    assert "not settled" in refused_for(lead, proposal)


def test_what_moved_on_is_told_and_stops_no_other(
    on: None, author: Membership, reviewer: Membership, crate: Crate
) -> None:
    one, two = drafted(author, crate), drafted(author, crate)
    picks = [pick(line_of(reviewer, one)), pick(line_of(reviewer, two))]
    markers = [MarkerInput(m.slot, m.start_us, m.end_us) for m in one.markers.all()]
    amend_proposal(member=author, proposal=one, markers=markers, seen_revision=1)
    gone = Pick(factories.proposal(factories.crew_with()).pk, 1, "")
    outcomes = approve_in_bulk(member=reviewer, picks=[*picks, gone])
    assert [outcome.refused and outcome.refused.code for outcome in outcomes] == [
        "proposal:moved-on", None, "not-found",
    ]  # fmt: skip
    assert SheetVersion.objects.get().track == two.track


def test_where_two_must_approve_it_is_one_of_the_two(
    on: None, author: Membership, reviewer: Membership, lead: Membership, crate: Crate
) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=0.8)
    line = line_of(reviewer, drafted(author, crate))
    (first,) = approve_in_bulk(member=reviewer, picks=[pick(line)])
    assert (first.sheet, first.refused) == (None, None)
    (second,) = approve_in_bulk(member=lead, picks=[pick(line)])
    assert second.sheet is not None


def test_the_list_asks_as_often_for_many_as_for_two(on: None, author: Membership, reviewer: Membership, crate: Crate):
    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            bulk_lines(reviewer)
        return len(asked)

    for _ in range(2):
        factories.proposal(author, into=crate)
    few = queries()
    for _ in range(4):
        factories.proposal(author, into=crate)
    assert queries() == few
