"""The whole life of reviews, walked at random: whatever members do in whatever order, the tables hold.

After every step: no state that the table of moves does not allow, exactly one activity row for each change and none for
a refusal, what the database must never hold is not there, and the record replayed alone equals the tables.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, DomainError, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.preparation.selectors import live_claim
from crewprep.preparation.services import claim_track, release_track
from crewprep.review.again import merge_proposal, propose_sheet_again, reopen_proposal
from crewprep.review.content import digest_of, plain
from crewprep.review.lifecycle import MOVES, PENDING
from crewprep.review.models import Proposal, ProposalState, Remark, Verdict
from crewprep.review.options import options_of, set_options
from crewprep.review.replay import agrees, lives, recorded_sheet_as_of
from crewprep.review.selectors import merge_of
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    give_approval,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark
from crewprep.sheets.counting import counted_by_rule
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import CountedSheet, SheetVersion
from crewprep.sheets.selectors import sheet_as_of
from crewprep.tracks.models import Track
from tests import factories

WHO = st.integers(0, 4)
"""A lead, three residents, a newcomer."""
BEHIND = st.sampled_from([0, 0, 0, 0, 1])
"""How many revisions ago the page was opened."""
MOVED = st.dictionaries(st.integers(1, 4), st.integers(0, 3), max_size=2)


@dataclass(frozen=True)
class Scene:
    """A crew and a track, made once; every walk is rolled back."""

    members: list[Membership]
    crate: Crate
    track: Track


class ReviewLife(RuleBasedStateMachine):
    """One crew, one track, and a model of what each proposal's row must say."""

    scene: Scene

    def __init__(self) -> None:
        super().__init__()
        self.undo = transaction.atomic()
        self.undo.__enter__()
        self.members, self.crate, self.track = self.scene.members, self.scene.crate, self.scene.track
        self.markers = factories.eight_markers(factories.analysis_result())
        self.states: dict[object, ProposalState] = {}
        self.hands: dict[object, set[int]] = {}
        self.changed = Activity.objects.count()

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    # Doing one thing, and holding the model to it.

    def do(self, act: Callable[[], object], *, move: str = "", on: Proposal | None = None) -> bool:
        """Try it; a change writes one row, a refusal none and changes no proposal."""
        before = self.rows()
        try:
            act()
        except DomainError:
            assert Activity.objects.count() == self.changed, "a refusal wrote a row"
            assert self.rows() == before, "a refusal changed a proposal"
            return False
        self.changed += 1
        assert Activity.objects.count() == self.changed, "a change writes exactly one row"
        if on is not None:
            assert self.states[on.pk] in MOVES[move].sources, f"{move} from {self.states[on.pk]}"
            self.states[on.pk] = MOVES[move].target
        return True

    def rows(self) -> list[tuple[object, ...]]:
        return sorted(
            Proposal.objects.filter(track=self.track).values_list(
                "pk", "state", "revision", "first_approved_by", "reviewed_by", "sheet", "base"
            ),
            key=str,
        )

    def newest(self, state: str = "") -> Proposal | None:
        found = Proposal.objects.filter(track=self.track)
        return (found.filter(state=state) if state else found).order_by("-created_at").first()

    def pending(self) -> Proposal | None:
        return Proposal.objects.filter(track=self.track, state__in=PENDING).first()

    def put(self, moved: dict[int, int]) -> list[MarkerInput]:
        beat = 468_750
        return [MarkerInput(m.slot, m.start_us + beat * moved.get(m.slot, 0), m.end_us) for m in self.markers]

    def free_for(self, member: Membership) -> bool:
        claim = live_claim(self.track)
        return claim is None or claim.holder_id == member.user_id

    # The moves.

    @rule(who=WHO, moved=MOVED)
    def propose(self, who: int, moved: dict[int, int]) -> None:
        member, free = self.members[who], self.pending() is None and self.free_for(self.members[who])
        made = self.do(
            lambda: propose(
                member=member, track=self.track, convention_version=self.crate.convention_version,
                markers=self.put(moved), override_reason="a walk",
            )
        )  # fmt: skip
        assert made == free
        self.learn(member)

    @rule(who=WHO, back=st.integers(0, 2))
    @precondition(lambda self: SheetVersion.objects.filter(track=self.track).exists())
    def propose_a_sheet_again(self, who: int, back: int) -> None:
        sheets = list(SheetVersion.objects.filter(track=self.track)[: back + 1])
        member, free = self.members[who], self.pending() is None and self.free_for(self.members[who])
        made = self.do(lambda: propose_sheet_again(member=member, sheet=sheets[-1], override_reason="a walk"))
        assert made == free
        self.learn(member)

    def learn(self, member: Membership) -> None:
        """A new proposal is open, and the member's own."""
        newest = self.newest()
        if newest is not None and newest.pk not in self.states:
            self.states[newest.pk], self.hands[newest.pk] = ProposalState.OPEN, {member.user_id}

    @rule(who=WHO, behind=BEHIND, moved=MOVED)
    @precondition(lambda self: self.newest() is not None)
    def amend(self, who: int, behind: int, moved: dict[int, int]) -> None:
        proposal, member = self.pending() or self.newest(), self.members[who]
        assert proposal is not None
        fits = behind == 0 and proposal.state in PENDING and self.free_for(member)
        done = self.do(
            lambda: amend_proposal(
                member=member, proposal=proposal, markers=self.put(moved), override_reason="a walk",
                seen_revision=proposal.revision - behind,
            ),
            move="amend", on=proposal,
        )  # fmt: skip
        assert done == fits
        if done:
            self.hands[proposal.pk].add(member.user_id)

    @rule(who=WHO, side=st.sampled_from(["theirs", "yours", ""]), behind=BEHIND)
    @precondition(lambda self: self.newest() is not None)
    def merge(self, who: int, side: str, behind: int) -> None:
        proposal, member = self.pending() or self.newest(), self.members[who]
        assert proposal is not None
        stale = merge_of(proposal)
        choices = {one.slot: side for one in stale.conflicts} if stale and side else {}
        fits = stale is not None and (side or not stale.conflicts) and behind == 0 and self.free_for(member)
        done = self.do(
            lambda: merge_proposal(
                member=member, proposal=proposal, seen_revision=proposal.revision - behind, override_reason="a walk",
                seen_sheet=stale.sheet.number if stale else 1, choices=choices,  # type: ignore[arg-type]  # a side as text
            ),
            move="merge", on=proposal,
        )  # fmt: skip
        assert done == bool(fits)
        if done:
            self.hands[proposal.pk].add(member.user_id)
            assert merge_of(Proposal.objects.get(pk=proposal.pk)) is None

    @rule(who=WHO, behind=BEHIND, heard=st.lists(st.integers(1, 8), max_size=3))
    @precondition(lambda self: self.newest() is not None)
    def approve(self, who: int, behind: int, heard: list[int]) -> None:
        proposal, member = self.pending() or self.newest(), self.members[who]
        assert proposal is not None
        first = options_of(member.crew).two_reviewers and proposal.first_approved_by_id is None
        fits = self.may_review(member, proposal) and behind == 0 and (first or merge_of(proposal) is None)
        done = self.do(
            lambda: give_approval(
                member=member, proposal=proposal, seen_revision=proposal.revision - behind, heard=heard,
                seen_digest=digest_of(proposal, proposal.markers.all()),
            ),
            move="approve first" if first else "approve", on=proposal,
        )  # fmt: skip
        assert done == fits

    def may_review(self, member: Membership, proposal: Proposal) -> bool:
        return (
            member.role != Role.NEWCOMER
            and member.user_id not in self.hands[proposal.pk]
            and member.user_id != proposal.first_approved_by_id
            and proposal.state == ProposalState.OPEN
        )

    @rule(who=WHO, behind=BEHIND)
    @precondition(lambda self: self.newest() is not None)
    def send_back(self, who: int, behind: int) -> None:
        proposal, member = self.pending() or self.newest(), self.members[who]
        assert proposal is not None
        fits = self.may_review(member, proposal) and behind == 0
        done = self.do(
            lambda: return_proposal(
                member=member, proposal=proposal, seen_revision=proposal.revision - behind,
                remarks=[RemarkInput(4, "Listen again.")],
            ),
            move="return", on=proposal,
        )  # fmt: skip
        assert done == fits

    @rule(who=WHO, behind=BEHIND)
    @precondition(lambda self: self.newest() is not None)
    def withdraw(self, who: int, behind: int) -> None:
        proposal, member = self.pending() or self.newest(), self.members[who]
        assert proposal is not None
        mine = member.role == Role.LEAD or member.user_id in self.hands[proposal.pk]
        fits = mine and behind == 0 and proposal.state in PENDING
        done = self.do(
            lambda: withdraw_proposal(
                member=member, proposal=proposal, seen_revision=proposal.revision - behind
            ),
            move="withdraw", on=proposal,
        )  # fmt: skip
        assert done == fits

    @rule(who=WHO, behind=BEHIND)
    @precondition(lambda self: self.newest("withdrawn") is not None)
    def open_again(self, who: int, behind: int) -> None:
        proposal, member = self.newest("withdrawn"), self.members[who]
        assert proposal is not None
        fits = member.user_id in self.hands[proposal.pk] and self.pending() is None and self.free_for(member)
        done = self.do(
            lambda: reopen_proposal(member=member, proposal=proposal, seen_revision=proposal.revision - behind),
            move="reopen", on=proposal,
        )  # fmt: skip
        assert done == (fits and behind == 0)

    # Rivals, threads, claims, the crew's rule.

    @rule(pair=st.tuples(WHO, WHO))
    @precondition(lambda self: self.newest("open") is not None)
    def two_verdicts_on_one_sight(self, pair: tuple[int, int]) -> None:
        """Two members who opened the same page; the later one never gets past the first."""
        proposal = self.newest("open")
        assert proposal is not None
        late = Proposal.objects.get(pk=proposal.pk)
        self.send_back_on(self.members[pair[0]], proposal)
        if self.states[proposal.pk] == ProposalState.RETURNED:
            with pytest.raises((Conflict, Refused)):
                give_approval(member=self.members[pair[1]], proposal=late, seen_revision=late.revision)
            assert Activity.objects.count() == self.changed

    def send_back_on(self, member: Membership, proposal: Proposal) -> None:
        self.do(
            lambda: return_proposal(
                member=member, proposal=proposal, seen_revision=proposal.revision, note="Listen again."
            ),
            move="return", on=proposal,
        )  # fmt: skip

    @rule(who=WHO, behind=BEHIND, slot=st.integers(0, 9), text=st.sampled_from(["Why here?", "A fill?", " "]))
    @precondition(lambda self: self.newest() is not None)
    def ask(self, who: int, behind: int, slot: int, text: str) -> None:
        """Anybody, a newcomer and an author too, and it moves nothing."""
        proposal, member, before = self.pending() or self.newest(), self.members[who], self.rows()
        assert proposal is not None
        seen = proposal.revision - behind
        said = Remark.objects.filter(
            proposal=proposal, revision=seen, slot=slot, text=text, by=member.user, resolved_at=None
        ).exists()
        fits = behind == 0 and proposal.state in PENDING and slot in range(1, 9) and text.strip() and not said
        done = self.do(lambda: begin_remark(member=member, proposal=proposal, slot=slot, text=text, seen_revision=seen))
        assert done == bool(fits)
        assert self.rows() == before

    @rule(who=WHO, resolved=st.sampled_from([True, False, None]))
    @precondition(lambda self: Remark.objects.filter(proposal__track=self.track).exists())
    def talk(self, who: int, resolved: bool | None) -> None:
        remark = Remark.objects.filter(proposal__track=self.track).order_by("created_at")[0]
        member = self.members[who]
        if resolved is None:
            assert self.do(lambda: reply_to_remark(member=member, remark=remark, text="I hear it."))
        else:
            self.do(lambda: settle_remark(member=member, remark=remark, resolved=resolved))

    @rule(who=WHO)
    def hold_or_let_go(self, who: int) -> None:
        held, member = live_claim(self.track), self.members[who]
        if held is None:
            assert self.do(lambda: claim_track(member=member, track=self.track))
        else:
            mine = held.holder_id == member.user_id or member.role == Role.LEAD
            assert self.do(lambda: release_track(member=member, track=self.track)) == mine

    @rule(two=st.booleans())
    def switch(self, two: bool) -> None:
        if options_of(self.members[0].crew).two_reviewers != two:
            assert self.do(lambda: set_options(member=self.members[0], two_reviewers=two, bulk_confidence=None))

    # What holds after every step.

    @invariant()
    def states_are_those_of_the_table(self) -> None:
        rows = dict(Proposal.objects.filter(track=self.track).values_list("pk", "state"))
        assert rows == self.states
        assert sum(state in PENDING for state in rows.values()) <= 1

    @invariant()
    def the_sheets_that_count_are_those_of_the_rule(self) -> None:
        rows = CountedSheet.objects.filter(track=self.track)
        assert {(row.track_id, row.convention_version_id): row.since for row in rows} == counted_by_rule(
            [self.track.pk]
        )

    @invariant()
    def nobody_had_a_hand_in_what_they_approved(self) -> None:
        for verdict in Verdict.objects.filter(proposal__track=self.track):
            assert verdict.by_id not in (verdict.proposed_by_id, verdict.changed_by_id)
        for sheet in SheetVersion.objects.filter(track=self.track).select_related("proposal"):
            approvals = Verdict.objects.filter(
                proposal=sheet.proposal, revision=sheet.proposal.revision, kind="approved"
            ).values_list("by", flat=True)
            assert not set(approvals) & self.hands[sheet.proposal.pk]
            assert len(set(approvals)) >= (2 if sheet.proposal.two_reviewers else 1)
            assert sheet.approved_by_id in approvals

    @invariant()
    def the_record_alone_equals_the_tables(self) -> None:
        rows = Activity.objects.filter(crew=self.track.crew_id).order_by("created_at")
        told = lives(rows)
        proposals = Proposal.objects.filter(track=self.track).select_related("sheet")
        assert told.keys() == {proposal.pk for proposal in proposals}
        for proposal in proposals:
            life = told[proposal.pk]
            assert (life.state, life.revision) == (proposal.state, proposal.revision)
            assert life.sheet == (proposal.sheet.number if proposal.sheet else None)
            assert life.first_approved_by == proposal.first_approved_by_id
            assert life.open_remarks == Remark.objects.filter(proposal=proposal, resolved_at=None).count()
        for sheet in SheetVersion.objects.filter(track=self.track):
            for when in (sheet.created_at, sheet.created_at - dt.timedelta(microseconds=1)):
                found, kept = sheet_as_of(self.track, when), recorded_sheet_as_of(self.track, when)
                assert (found is None) == (kept is None)
                assert found is None or kept is None or agrees(found, kept)
            assert plain(sheet.markers.all()) == plain(sheet.proposal.markers.all())


@pytest.mark.django_db
def test_whatever_members_do_the_tables_hold() -> None:
    lead = factories.crew_with()
    others = [factories.member_of(lead.crew, role) for role in (*[Role.RESIDENT] * 3, Role.NEWCOMER)]
    crate = factories.crate(lead)
    scene = Scene([lead, *others], crate, factories.analysed_track(lead, crate))
    walk = type("Walk", (ReviewLife,), {"scene": scene})
    run_state_machine_as_test(
        walk,
        settings=settings(
            max_examples=12, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
