"""A proposal whose base was overtaken, put together with the newer sheet slot by slot."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.conventions.services import publish_convention
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.review.again import merge_proposal, reopen_proposal
from crewprep.review.merging import Side, merge_slots, merged
from crewprep.review.models import Proposal, ProposalState
from crewprep.review.selectors import merge_of
from crewprep.review.services import amend_proposal, approve_proposal, propose, withdraw_proposal
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories

slots = st.integers(1, 6)
sheets = st.lists(
    st.builds(
        MarkerInput, slot=slots, start_us=st.integers(0, 3), end_us=st.none() | st.just(9), label=st.sampled_from("ab")
    ),
    unique_by=lambda marker: marker.slot,
).map(lambda markers: sorted(markers, key=lambda marker: marker.slot))


def at(markers: list[MarkerInput], slot: int) -> MarkerInput | None:
    return next((marker for marker in markers if marker.slot == slot), None)


@given(sheets, sheets)
def test_merging_with_an_unchanged_side_is_the_other_side(base: list[MarkerInput], other: list[MarkerInput]) -> None:
    assert merged(merge_slots(base, base, other), {}) == other
    assert merged(merge_slots(base, other, base), {}) == other
    assert merged(merge_slots(base, other, other), {}) == other


@given(sheets, sheets, sheets)
def test_a_conflict_is_exactly_a_slot_that_both_changed_differently(
    base: list[MarkerInput], theirs: list[MarkerInput], yours: list[MarkerInput]
) -> None:
    found = {one.slot for one in merge_slots(base, theirs, yours) if one.conflict}
    assert found == {slot for slot in range(1, 7) if len({at(base, slot), at(theirs, slot), at(yours, slot)}) == 3}


@given(sheets, sheets, sheets)
def test_the_sides_may_be_exchanged_and_a_choice_names_its_side(
    base: list[MarkerInput], theirs: list[MarkerInput], yours: list[MarkerInput]
) -> None:
    one, other = merge_slots(base, theirs, yours), merge_slots(base, yours, theirs)
    conflicts = [slot.slot for slot in one if slot.conflict]
    assert conflicts == [slot.slot for slot in other if slot.conflict]
    assert merged(one, dict.fromkeys(conflicts, "theirs")) == merged(other, dict.fromkeys(conflicts, "yours"))
    assert merged(one, dict.fromkeys(conflicts, "yours")) == merged(other, dict.fromkeys(conflicts, "theirs"))
    if conflicts:
        with pytest.raises(KeyError) as first:
            merged(one, {})
        assert first.value.args == (conflicts[0],)


@given(sheets, sheets, sheets)
def test_every_slot_of_the_merge_comes_from_a_side_that_changed_it(
    base: list[MarkerInput], theirs: list[MarkerInput], yours: list[MarkerInput]
) -> None:
    for one in merge_slots(base, theirs, yours):
        for side in get_args(Side):
            taken = one.taken(side)
            assert taken in (one.theirs, one.yours)
            assert taken != one.base or one.theirs == one.yours == one.base


pytestmark = pytest.mark.django_db


def shifted(proposal: Proposal, **later: int) -> list[MarkerInput]:
    """The markers with some slots moved by so many microseconds, such as ``s4=1000``."""
    return [
        MarkerInput(m.slot, m.start_us + later.get(f"s{m.slot}", 0), m.end_us, m.label) for m in proposal.markers.all()
    ]


@pytest.fixture
def stale(author: Membership, reviewer: Membership, crate: Crate) -> Proposal:
    """Moves slots 3 and 4 of sheet 1, while sheet 2 moved slots 2 and 4."""
    first = factories.proposal(author, into=crate)
    approve_proposal(member=reviewer, proposal=first, seen_revision=1)

    def another(**later: int) -> Proposal:
        return propose(
            member=author, track=first.track, convention_version=crate.convention_version,
            markers=shifted(first, **later), override_reason="off the grid on purpose",
        )  # fmt: skip

    mine = another(s3=30_000_000, s4=30_000_000)
    withdraw_proposal(member=author, proposal=mine, seen_revision=1)
    theirs = another(s2=10_000_000, s4=10_000_000)
    approve_proposal(member=reviewer, proposal=theirs, seen_revision=1)
    return reopen_proposal(member=author, proposal=mine, seen_revision=1)


def test_it_takes_what_one_side_changed_and_asks_about_the_rest(stale: Proposal, reviewer: Membership) -> None:
    merge = merge_of(stale)
    assert merge is not None
    assert [(slot.slot, slot.kind) for slot in merge.slots if slot.kind != "same"] == [
        (2, "theirs"), (3, "yours"), (4, "conflict"),
    ]  # fmt: skip
    before = {marker.slot: marker.start_us for marker in merge.sheet.markers.all()}
    mine = {marker.slot: marker.start_us for marker in stale.markers.all()}

    with pytest.raises(Conflict) as refused:
        approve_proposal(member=reviewer, proposal=stale, seen_revision=2)
    assert refused.value.code == "proposal:stale-base"
    stale = Proposal.objects.get(pk=stale.pk)
    with pytest.raises(Invalid) as asked:
        merge_proposal(member=reviewer, proposal=stale, seen_revision=2, seen_sheet=2, choices={}, override_reason="x")
    assert (asked.value.code, asked.value.values) == ("proposal:merge-choice", {"slot": 4})

    merge_proposal(
        member=reviewer, proposal=stale, seen_revision=2, seen_sheet=2, choices={4: "yours"}, override_reason="x"
    )
    assert (stale.state, stale.revision, stale.base) == (ProposalState.OPEN, 3, merge.sheet)
    now = {marker.slot: marker.start_us for marker in stale.markers.all()}
    assert (now[2], now[3], now[4]) == (before[2], mine[3], mine[4])
    row = Activity.objects.get(verb="proposal merged")
    assert (row.actor, row.details["sheet"], row.details["choices"]) == (reviewer.user, 2, {"4": "yours"})
    assert merge_of(stale) is None


def test_whoever_merges_is_an_author(stale: Proposal, reviewer: Membership, lead: Membership) -> None:
    merge_proposal(
        member=reviewer, proposal=stale, seen_revision=2, seen_sheet=2, choices={4: "theirs"}, override_reason="x"
    )
    with pytest.raises(Refused) as refused:
        approve_proposal(member=reviewer, proposal=stale, seen_revision=3)
    assert refused.value.code == "proposal:own"
    assert approve_proposal(member=lead, proposal=stale, seen_revision=3).number == 3


def test_a_merge_of_what_was_not_seen_gets_a_conflict(stale: Proposal, author: Membership) -> None:
    choices = {4: "yours"}
    for seen, code in (((1, 2), "proposal:moved-on"), ((2, 1), "proposal:sheet-moved-on")):
        with pytest.raises(Conflict) as refused:
            merge_proposal(
                member=author, proposal=stale, seen_revision=seen[0], seen_sheet=seen[1],
                choices=choices, override_reason="x",  # type: ignore[arg-type]  # one of the two words
            )  # fmt: skip
        assert refused.value.code == code


def test_there_is_nothing_to_merge_on_the_latest_sheet(proposal: Proposal, author: Membership) -> None:
    assert merge_of(proposal) is None
    with pytest.raises(Conflict) as refused:
        merge_proposal(member=author, proposal=proposal, seen_revision=1, seen_sheet=0, choices={})
    assert refused.value.code == "proposal:not-stale"


def test_a_merge_follows_the_later_convention_and_carries_markers_by_function(
    stale: Proposal, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    """Version 2 has slots 3 and 4 the other way round, and the newer sheet follows it."""
    document = factories.music.convention_document()
    third, fourth = document["slots"][2:4]
    third["number"], fourth["number"] = 4, 3
    document["slots"][2:4] = [fourth, third]
    later = publish_convention(member=lead, document=document)
    withdraw_proposal(member=author, proposal=stale, seen_revision=2)
    second = SheetVersion.objects.get(number=2)
    old = {marker.slot: marker.start_us for marker in second.markers.all()}
    swapped = [MarkerInput({3: 4, 4: 3}.get(m.slot, m.slot), m.start_us, m.end_us) for m in second.markers.all()]
    third_sheet = propose(
        member=reviewer, track=stale.track, convention_version=later, markers=swapped, override_reason="x"
    )
    approve_proposal(member=lead, proposal=third_sheet, seen_revision=1)
    reopen_proposal(member=author, proposal=stale, seen_revision=2, override_reason="x")
    mine = {marker.slot: marker.start_us for marker in stale.markers.all()}

    merge = merge_of(stale)
    assert merge is not None
    assert merge.version == later
    assert [(slot.slot, slot.kind) for slot in merge.slots if slot.kind != "same"] == [
        (2, "theirs"), (3, "conflict"), (4, "yours"),
    ]  # fmt: skip
    merge_proposal(
        member=author, proposal=stale, seen_revision=3, seen_sheet=3, choices={3: "yours"}, override_reason="x"
    )
    now = {marker.slot: marker.start_us for marker in stale.markers.all()}
    assert stale.convention_version == later
    assert (now[2], now[3], now[4]) == (old[2], mine[4], mine[3])


def test_a_changed_proposal_stays_stale_until_it_is_merged(stale: Proposal, author: Membership) -> None:
    amend_proposal(
        member=author, proposal=stale, seen_revision=2, markers=shifted(stale, s1=1_000_000), override_reason="x"
    )
    assert merge_of(stale) is not None
