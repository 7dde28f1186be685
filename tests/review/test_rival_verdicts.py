"""Two reviewers press at the same moment: one wins, the other gets a clear conflict.

On PostgreSQL a plain "read, check, save" let both verdicts through in most races, on SQLite in none, since its
immediate transactions stand in a queue. So the control, which must go wrong, is held to it on PostgreSQL alone.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable

import pytest
from django.db import connection

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict
from crewprep.crews.models import Membership
from crewprep.review import services
from crewprep.review.again import reopen_proposal
from crewprep.review.lifecycle import MOVES
from crewprep.review.models import Proposal, Remark, Verdict
from crewprep.review.options import set_options
from crewprep.review.replay import lives
from crewprep.review.services import (
    amend_proposal,
    approve_proposal,
    give_approval,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.review.threads import begin_remark
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)

ON_POSTGRES = "postgresql"


def rounds() -> int:
    """200 where rivals really run side by side, fewer where they queue anyway."""
    return 200 if connection.vendor == ON_POSTGRES else 25


def race(*runners: Callable[[], object]) -> Counter[str]:
    """Run all at once; count what each came to: won, conflict, or the name of another error."""
    barrier = threading.Barrier(len(runners))
    outcomes: Counter[str] = Counter()

    def run(runner: Callable[[], object]) -> None:
        try:
            barrier.wait()
            runner()
            outcomes["won"] += 1
        except Conflict:
            outcomes["conflict"] += 1
        except Exception as error:
            outcomes[repr(error)] += 1
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(runner,)) for runner in runners]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


class Rivals:
    """A crew with an author and two reviewers, and a fresh proposal for each round."""

    def __init__(self) -> None:
        self.lead = factories.crew_with()
        self.author = factories.member_of(self.lead.crew)
        self.reviewer = factories.member_of(self.lead.crew)
        self.crate = factories.crate(self.lead)
        self.track = factories.analysed_track(self.lead, self.crate)

    def proposal(self) -> Proposal:
        Proposal.objects.filter(track=self.track, state__in=["open", "returned"]).update(state="withdrawn")
        return factories.proposal(self.author, made=self.track, into=self.crate)


def approve(member: Membership, proposal: Proposal) -> Callable[[], object]:
    seen = Proposal.objects.get(pk=proposal.pk)
    return lambda: approve_proposal(member=member, proposal=seen, seen_revision=1)


def send_back(member: Membership, proposal: Proposal) -> Callable[[], object]:
    seen = Proposal.objects.get(pk=proposal.pk)
    return lambda: return_proposal(member=member, proposal=seen, seen_revision=1, note="Not yet.")


def test_of_two_approvals_one_wins() -> None:
    rivals = Rivals()
    for _ in range(rounds()):
        proposal = rivals.proposal()
        outcomes = race(approve(rivals.lead, proposal), approve(rivals.reviewer, proposal))
        assert outcomes == {"won": 1, "conflict": 1}
        assert SheetVersion.objects.filter(proposal=proposal).count() == 1
    assert SheetVersion.objects.filter(track=rivals.track).count() == rounds()


def test_of_approval_and_return_one_wins() -> None:
    rivals = Rivals()
    for _ in range(max(20, rounds() // 4)):
        proposal = rivals.proposal()
        assert race(approve(rivals.lead, proposal), send_back(rivals.reviewer, proposal)) == {"won": 1, "conflict": 1}
        proposal.refresh_from_db()
        assert (proposal.state == "approved") == SheetVersion.objects.filter(proposal=proposal).exists()


def test_nobody_approves_markers_that_change_meanwhile() -> None:
    rivals = Rivals()
    for _ in range(max(20, rounds() // 4)):
        proposal = rivals.proposal()
        seen = Proposal.objects.get(pk=proposal.pk)
        markers = [MarkerInput(4, 90_000_000)]
        outcomes = race(
            approve(rivals.reviewer, proposal),
            lambda seen=seen, markers=markers: amend_proposal(  # type: ignore[misc]  # defaults bind the loop
                member=rivals.author, proposal=seen, markers=markers, seen_revision=1, override_reason="a race"
            ),
        )
        assert outcomes == {"won": 1, "conflict": 1}
        sheet = SheetVersion.objects.filter(proposal=proposal).first()
        assert sheet is None or sheet.markers.count() == 7


@pytest.mark.server_only
def test_control_without_compare_and_set_both_win(monkeypatch: pytest.MonkeyPatch) -> None:
    def naive(proposal: Proposal, name: str, *, seen_revision: int, still: object = None, **stamps: object) -> None:
        current = Proposal.objects.get(pk=proposal.pk)
        if current.state not in MOVES[name].sources or current.revision != seen_revision:
            raise Conflict("proposal:moved-on")
        for field, value in stamps.items():
            setattr(current, field, value)
        current.state = MOVES[name].target
        current.save()

    monkeypatch.setattr(services, "move", naive)
    rivals = Rivals()
    both = 0
    for _ in range(40):
        proposal = rivals.proposal()
        both += race(approve(rivals.lead, proposal), send_back(rivals.reviewer, proposal))["won"] == 2
    assert both > 0


def ask(member: Membership, proposal: Proposal) -> Callable[[], object]:
    seen = Proposal.objects.get(pk=proposal.pk)
    return lambda: begin_remark(member=member, proposal=seen, slot=4, text="Why here?", seen_revision=1)


def test_of_two_presses_of_one_remark_one_stands() -> None:
    rivals = Rivals()
    for _ in range(max(20, rounds() // 4)):
        proposal = rivals.proposal()
        assert race(ask(rivals.lead, proposal), ask(rivals.lead, proposal)) == {"won": 1, "conflict": 1}
        assert Remark.objects.filter(proposal=proposal).count() == 1


def test_no_remark_lands_on_what_is_decided_meanwhile() -> None:
    """A remark stops no approval; where it stands it came first, and the record says so."""
    rivals = Rivals()
    for _ in range(max(20, rounds() // 4)):
        proposal = rivals.proposal()
        outcomes = race(approve(rivals.lead, proposal), ask(rivals.reviewer, proposal))
        stands = Remark.objects.filter(proposal=proposal).count()
        assert outcomes == ({"won": 2} if stands else {"won": 1, "conflict": 1})
        rows = Activity.objects.filter(subject_id=proposal.pk).order_by("created_at")
        life = lives(rows)[proposal.pk]
        assert (life.state, life.open_remarks) == ("approved", stands)


def approve_as_ruled(member: Membership, proposal: Proposal) -> Callable[[], object]:
    seen = Proposal.objects.get(pk=proposal.pk)
    return lambda: give_approval(member=member, proposal=seen, seen_revision=1)


def test_of_two_first_approvals_one_wins() -> None:
    rivals = Rivals()
    set_options(member=rivals.lead, two_reviewers=True, bulk_confidence=None)
    for _ in range(max(20, rounds() // 4)):
        proposal = rivals.proposal()
        outcomes = race(approve_as_ruled(rivals.lead, proposal), approve_as_ruled(rivals.reviewer, proposal))
        assert outcomes == {"won": 1, "conflict": 1}
        proposal.refresh_from_db()
        verdict = Verdict.objects.get(proposal=proposal)
        assert (proposal.state, proposal.first_approved_by) == ("open", verdict.by)


def test_of_two_second_approvals_one_makes_the_sheet() -> None:
    rivals = Rivals()
    first = factories.member_of(rivals.lead.crew)
    set_options(member=rivals.lead, two_reviewers=True, bulk_confidence=None)
    for _ in range(rounds()):
        proposal = rivals.proposal()
        give_approval(member=first, proposal=proposal, seen_revision=1)
        outcomes = race(approve_as_ruled(rivals.lead, proposal), approve_as_ruled(rivals.reviewer, proposal))
        assert outcomes == {"won": 1, "conflict": 1}
        assert SheetVersion.objects.filter(proposal=proposal).count() == 1
        assert Verdict.objects.filter(proposal=proposal).count() == 2
    assert SheetVersion.objects.filter(track=rivals.track).count() == rounds()


def test_of_opening_again_and_proposing_anew_one_is_pending() -> None:
    rivals = Rivals()
    for _ in range(max(20, rounds() // 4)):
        old = rivals.proposal()
        withdraw_proposal(member=rivals.author, proposal=old, seen_revision=1)
        outcomes = race(
            lambda old=old: reopen_proposal(member=rivals.author, proposal=old, seen_revision=1),  # type: ignore[misc]  # as above
            lambda: factories.proposal(rivals.reviewer, made=rivals.track, into=rivals.crate),
        )
        assert outcomes == {"won": 1, "conflict": 1}
        assert Proposal.objects.filter(track=rivals.track, state__in=["open", "returned"]).count() == 1
