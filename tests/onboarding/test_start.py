"""The first hour: each step follows from what the tables show, and a list always has a way on."""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from crewprep.common.errors import Invalid
from crewprep.crews.invitations import invite
from crewprep.crews.models import Membership, Role
from crewprep.models import Crate, Drill, SheetVersion, StartStep
from crewprep.onboarding.start import (
    FEW_DRILLS,
    TOLD,
    Code,
    Facts,
    put_start_away,
    start_of,
    start_unless_away,
    steps_from,
    take_step,
    untaken,
)
from crewprep.review.services import approve_proposal
from tests import factories

FLAGS = (
    "convention", "others", "reviewers", "invited", "tracks", "proposed", "approved", "examples", "night",
    "drill_open", "own_proposal", "own_verdict",
)  # fmt: skip


@st.composite
def any_facts(draw: Any) -> Facts:
    some_id = st.none() | st.just(uuid.uuid4())
    return Facts(
        role=draw(st.sampled_from(list(Role))),
        told=frozenset(draw(st.sets(st.sampled_from(TOLD)))),
        drills=draw(st.integers(0, 9)),
        crate_id=draw(some_id),
        ready_crate_id=draw(some_id),
        **{name: draw(st.booleans()) for name in FLAGS},
    )


@given(any_facts())
def test_a_list_has_one_next_step_until_all_are_done(facts: Facts) -> None:
    steps = steps_from(facts)
    states = [step.state for step in steps]
    assert len({step.code for step in steps}) == len(steps)
    assert states.count("next") == (0 if set(states) == {"done"} else 1)
    assert all(step.sentence.endswith(".") for step in steps)
    chosen = next((step for step in steps if step.state == "next"), None)
    if chosen and chosen.waits:
        assert all(step.waits for step in steps if step.state == "later"), "something could be done meanwhile"
    assert not any(step.waits for step in steps if step.state == "done")


def codes(facts: Facts) -> dict[Code, str]:
    return {step.code: step.state for step in steps_from(facts)}


def next_of(facts: Facts) -> Code | None:
    return next((step.code for step in steps_from(facts) if step.state == "next"), None)


def test_a_newcomer_reads_hears_drills_and_is_signed_off() -> None:
    ready: dict[str, Any] = {"role": Role.NEWCOMER, "convention": True, "examples": True}
    told: list[str] = []
    for code in TOLD:
        assert next_of(Facts(**ready, told=frozenset(told))) == code
        told.append(code)
    learnt = {**ready, "told": frozenset(told)}
    assert next_of(Facts(**learnt)) == Code.FIRST_DRILL
    assert next_of(Facts(**learnt, drills=1)) == Code.DRILLS
    assert (
        "4 more to do" in next(step for step in steps_from(Facts(**learnt, drills=1)) if step.state == "next").sentence
    )
    assert next_of(Facts(**learnt, drills=FEW_DRILLS)) == Code.SIGN_OFF


def test_what_cannot_be_done_yet_is_passed_over_and_says_what_it_waits_for() -> None:
    steps = {
        step.code: step for step in steps_from(Facts(role=Role.NEWCOMER, convention=True, told=frozenset({Code.SLOTS})))
    }
    assert steps[Code.EXAMPLES].waits
    assert "no approved sheet" in steps[Code.EXAMPLES].sentence
    assert steps[Code.SLIPS].state == "next"
    alone = {step.code: step for step in steps_from(Facts(role=Role.LEAD, convention=True, proposed=True))}
    assert "second lead or resident" in alone[Code.APPROVED].sentence


def test_a_resident_who_has_proposed_need_not_tell_what_they_read() -> None:
    worked = Facts(role=Role.RESIDENT, convention=True, own_proposal=True, own_verdict=True)
    assert next_of(worked) is None
    assert next_of(Facts(role=Role.RESIDENT, convention=True)) == Code.SLOTS


@pytest.mark.django_db
class TestFromTables:
    """The facts as the tables give them."""

    def test_a_new_crew_goes_step_by_step(self) -> None:
        lead = factories.crew_with()

        def upcoming() -> Code | None:
            step = start_of(lead).next
            return step.code if step else None

        assert upcoming() == Code.CONVENTION
        factories.convention(lead)
        assert upcoming() == Code.INVITE
        invite(member=lead, role=Role.RESIDENT)
        assert upcoming() == Code.CRATE, "a link that can be used is enough"
        crate = factories.crate(lead)
        assert upcoming() == Code.UPLOAD
        track = factories.track(lead, crate)
        assert upcoming() == Code.NIGHT, "while the worker listens, something else can be done"
        assert "still listening" in {step.code: step for step in start_of(lead).steps}[Code.PROPOSE].sentence
        track = factories.analysed_track(lead, crate)
        assert upcoming() == Code.PROPOSE
        proposal = factories.proposal(lead, made=track, into=crate)
        assert upcoming() == Code.NIGHT, "alone nobody gets a sheet approved"
        resident = factories.member_of(lead.crew)
        assert upcoming() == Code.APPROVED
        approve_proposal(member=resident, proposal=proposal, seen_revision=1)
        assert upcoming() == Code.NIGHT
        assert start_of(lead).done == 6
        assert start_of(resident).steps[-1].state == "done", "the resident has given a verdict"

    def test_drills_count_once_they_are_handed_in(self, newcomer: Membership, lead: Membership, crate: Crate) -> None:
        sheet = approve_proposal(
            member=lead, proposal=factories.proposal(factories.member_of(lead.crew), into=crate), seen_revision=1
        )
        assert start_of(newcomer).facts.examples
        drill = _drill(newcomer, sheet)
        assert (start_of(newcomer).facts.drills, start_of(newcomer).facts.drill_open) == (0, True)
        Drill.objects.filter(pk=drill.pk).update(handed_in_at=timezone.now())
        assert (start_of(newcomer).facts.drills, start_of(newcomer).facts.drill_open) == (1, False)

    def test_a_told_step_is_kept_once_and_another_is_refused(self, newcomer: Membership) -> None:
        take_step(member=newcomer, code=Code.SLIPS)
        take_step(member=newcomer, code=Code.SLIPS)
        assert StartStep.objects.count() == 1
        assert untaken(newcomer) == [Code.SLOTS, Code.EXAMPLES]
        for code in (Code.FIRST_DRILL, Code.AWAY, "nothing"):
            with pytest.raises(Invalid):
                take_step(member=newcomer, code=code)

    def test_the_list_is_put_away_and_brought_back_with_what_was_done(self, newcomer: Membership) -> None:
        take_step(member=newcomer, code=Code.SLOTS)
        put_start_away(member=newcomer, away=True)
        assert start_unless_away(newcomer) is None
        put_start_away(member=newcomer, away=False)
        found = start_unless_away(newcomer)
        assert found is not None
        assert found.facts.told == {Code.SLOTS}

    def test_another_crew_changes_nothing(self, lead: Membership) -> None:
        other = factories.crew_with()
        before = start_of(other).steps
        factories.proposal(lead, into=factories.crate(lead))
        invite(member=lead, role=Role.NEWCOMER)
        assert start_of(other).steps == before

    def test_it_asks_twice_whatever_the_crew_holds(self, lead: Membership, crate: Crate) -> None:
        for _ in range(2):
            factories.proposal(lead, into=crate)
            with CaptureQueriesContext(connection) as asked:
                start_of(lead)
            assert len(asked) == 2


def _drill(newcomer: Membership, sheet: SheetVersion) -> Drill:
    return Drill.objects.create(crew=newcomer.crew, membership=newcomer, track=sheet.track, sheet=sheet)
