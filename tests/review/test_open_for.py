"""The queue asks the table in one question what the rule answers for one proposal; the two must agree."""

from __future__ import annotations

import pytest

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.models import Proposal
from crewprep.review.options import set_options
from crewprep.review.rules import may_review
from crewprep.review.selectors import open_for, open_proposals
from crewprep.review.services import amend_proposal, give_approval, return_proposal
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


def same(proposal: Proposal) -> list[MarkerInput]:
    return [MarkerInput(m.slot, m.start_us, m.end_us, m.label) for m in proposal.markers.all()]


def test_the_table_answers_as_the_rule_does(
    lead: Membership, author: Membership, reviewer: Membership, crate: Crate
) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    stranger = factories.crew_with()
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    untouched, amended, mended_twice, approved_once, returned = (
        factories.proposal(author, into=crate) for _ in range(5)
    )
    amend_proposal(member=reviewer, proposal=amended, markers=same(amended), seen_revision=1)
    amend_proposal(member=reviewer, proposal=mended_twice, markers=same(mended_twice), seen_revision=1)
    amend_proposal(member=newcomer, proposal=mended_twice, markers=same(mended_twice), seen_revision=2)
    give_approval(member=reviewer, proposal=approved_once, seen_revision=1)
    return_proposal(member=lead, proposal=returned, seen_revision=1, note="Later.")
    factories.proposal(newcomer, factories.analysed_track(lead, crate), crate)
    answers = {}
    for member in (lead, author, reviewer, newcomer, stranger):
        answers[member.pk] = [one.pk for one in open_for(member)]
        assert answers[member.pk] == [one.pk for one in open_proposals(member) if may_review(member, one)]
    assert [len(answers[member.pk]) for member in (lead, author, reviewer, newcomer, stranger)] == [5, 1, 2, 0, 0]
    assert untouched.pk in answers[reviewer.pk]
