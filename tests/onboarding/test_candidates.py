"""What a member may drill on, and what they should meet next, from the tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.onboarding.candidates import need_of, next_sheet, sheets_unknown_to
from crewprep.onboarding.drills import begin_drill, hand_in
from crewprep.onboarding.models import DoubleMarking, Drill, SlotCard
from crewprep.onboarding.sights import note_sight
from crewprep.preparation.services import claim_track
from crewprep.review.services import amend_proposal, approve_proposal, return_proposal
from crewprep.sheets.keeping import Work, keep_sheet
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.publishing import publish_document
from tests import factories
from tests.factories.music import convention_document
from tests.onboarding.scene import approved_sheet, late, right_markers

pytestmark = pytest.mark.django_db


class Crew:
    """A newcomer, and those who make sheets for them to drill on."""

    def __init__(self, lead: Membership, resident: Membership, newcomer: Membership, crate: Crate) -> None:
        self.lead, self.resident, self.newcomer, self.crate = lead, resident, newcomer, crate

    def sheet(self, *slots: int, **facts: object) -> SheetVersion:
        result = replace(factories.analysis_result(), **facts)  # type: ignore[arg-type]  # fields by name
        return approved_sheet(self.lead, self.resident, self.crate, slots=slots or (1, 2, 3, 4, 5, 6, 8), result=result)

    @property
    def version(self) -> ConventionVersion:
        return self.crate.convention_version

    def propose(self, sheet: SheetVersion, member: Membership) -> None:
        factories.proposal(member, made=sheet.track, into=self.crate)

    def amend(self, sheet: SheetVersion, member: Membership) -> None:
        proposal = factories.proposal(self.resident, made=sheet.track, into=self.crate)
        amended = amend_proposal(
            member=member, proposal=proposal, markers=[MarkerInput(4, 9_000_000)], seen_revision=1, override_reason="so"
        )
        amend_proposal(
            member=self.resident, proposal=amended, markers=[MarkerInput(4, 8_000_000)], seen_revision=2,
            override_reason="so",
        )  # fmt: skip

    def keep(self, sheet: SheetVersion, member: Membership) -> None:
        work = Work([MarkerInput(4, 9_000_000)], "", "draft")
        keep_sheet(member=member, track=sheet.track, version=self.version, work=work, seen_revision=0)

    def mark_blind(self, sheet: SheetVersion, member: Membership) -> None:
        made = DoubleMarking.objects.create(
            crew=member.crew, convention_version=self.version, made_by=self.lead.user, name=f"About {sheet.track_id}"
        )
        made.tracks.add(sheet.track)
        made.members.add(member.user)

    def drill(self, sheet: SheetVersion, member: Membership) -> None:
        Drill.objects.create(
            crew=member.crew, membership=member, track=sheet.track, sheet=sheet, handed_in_at=timezone.now()
        )

    def see(self, sheet: SheetVersion, member: Membership) -> None:
        note_sight(member, [sheet.track_id])

    def hold(self, sheet: SheetVersion, member: Membership) -> None:
        claim_track(member=member, track=sheet.track)


WAYS: dict[str, Callable[[Crew, SheetVersion, Membership], None]] = {
    "proposed it": Crew.propose,
    "had a hand in a proposal": Crew.amend,
    "keeps work on it": Crew.keep,
    "is to mark it blind": Crew.mark_blind,
    "drilled on it": Crew.drill,
    "saw it": Crew.see,
    "holds it": Crew.hold,
}
"""How a member comes to know markers of a track, or must not know any."""


@pytest.fixture
def crew(lead: Membership, resident: Membership, newcomer: Membership, crate: Crate) -> Crew:
    return Crew(lead, resident, newcomer, crate)


@pytest.mark.parametrize("way", WAYS)
def test_what_is_known_is_never_drilled_on(crew: Crew, way: str) -> None:
    known, unknown = crew.sheet(), crew.sheet()
    WAYS[way](crew, known, crew.newcomer)
    assert list(sheets_unknown_to(crew.newcomer)) == [unknown]
    other = factories.member_of(crew.lead.crew)
    assert set(sheets_unknown_to(other)) == {known, unknown}


def test_whoever_judged_a_sheet_knows_it(crew: Crew) -> None:
    crew.sheet()
    other = crew.sheet()
    reviewer = factories.member_of(crew.lead.crew)
    proposal = factories.proposal(crew.resident, made=other.track, into=crew.crate)
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, note="Later.")
    assert other not in sheets_unknown_to(reviewer)
    assert not sheets_unknown_to(crew.lead).exists()
    assert not sheets_unknown_to(crew.resident).exists()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([None, *WAYS]), min_size=1, max_size=5), st.integers(0, 2**32))
def test_whatever_was_done_a_pick_is_unknown(crew: Crew, done: list[str | None], seed: int) -> None:
    member = factories.member_of(crew.lead.crew, "newcomer")
    Drill.objects.all().delete()
    DoubleMarking.objects.all().delete()
    unknown = set(sheets_unknown_to(member).values_list("pk", flat=True))
    for way in done:
        sheet = crew.sheet()
        if way is None:
            unknown.add(sheet.pk)
        else:
            WAYS[way](crew, sheet, member)
    picked = next_sheet(member, seed=seed)
    assert (picked in unknown) if unknown else (picked is None)


def test_only_what_counts_under_the_current_convention(crew: Crew) -> None:
    sheet = crew.sheet()
    document = convention_document()
    document["slots"][3]["guidance"] = "The first drop, on the one."
    publish_document(member=crew.lead, document=document)
    assert list(sheets_unknown_to(crew.newcomer)) == [sheet]
    document["slots"][3]["which"] = "strongest"
    publish_document(member=crew.lead, document=document)
    assert not sheets_unknown_to(crew.newcomer).exists()


def test_the_latest_sheet_of_a_track(crew: Crew) -> None:
    sheet = crew.sheet()
    again = factories.proposal(crew.resident, made=sheet.track, into=crew.crate)
    second = approve_proposal(member=crew.lead, proposal=again, seen_revision=1)
    assert list(sheets_unknown_to(crew.newcomer)) == [second]


def test_a_missed_slot_comes_back_first(crew: Crew) -> None:
    crew.sheet()
    first = begin_drill(member=crew.newcomer, seed=1)
    hand_in(member=crew.newcomer, drill=first, markers=late(right_markers(first), 2, 7_500_000), seen_revision=1)
    SlotCard.objects.exclude(function="breakdown", which="first").update(due_at=timezone.now() + dt.timedelta(days=2))
    SlotCard.objects.filter(function="breakdown", which="first").update(due_at=timezone.now() - dt.timedelta(hours=1))
    crew.sheet(1, 3, 4, 5, 6, 8)
    holds_it = crew.sheet(2, 4)
    assert begin_drill(member=crew.newcomer, seed=1).sheet == holds_it


def test_hard_tracks_wait(crew: Crew) -> None:
    result = factories.analysis_result()
    soft = (replace(result.drops[0], soft=True), *result.drops[1:])
    hard = [
        crew.sheet(steady=False),
        crew.sheet(grid_confidence=0.3),
        crew.sheet(drops=soft),
        crew.sheet(phrase_confidence=0.2),
        crew.sheet(phrases_us=(*result.phrases_us[:3], *result.downbeats_us[26::8])),
    ]
    easy = crew.sheet()
    for seed in range(4):
        assert next_sheet(crew.newcomer, seed=seed) == easy.pk
    note_sight(crew.newcomer, [easy.track_id])
    assert next_sheet(crew.newcomer, seed=0) in {sheet.pk for sheet in hard}


def test_what_was_met_is_remembered(crew: Crew) -> None:
    crew.sheet(tempo_bpm=128.0)
    drill = begin_drill(member=crew.newcomer)
    hand_in(member=crew.newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    need = need_of(crew.newcomer, at=timezone.now() + dt.timedelta(days=1))
    assert need.kinds == {"120 to 135 BPM": 1, "4 beats a bar": 1}
    assert len(need.due) == len(need.met) == 7
    crew.sheet(tempo_bpm=128.0)
    other = crew.sheet(tempo_bpm=174.0)
    assert begin_drill(member=crew.newcomer).sheet == other


def test_picking_asks_as_often_for_many_sheets_as_for_few(crew: Crew) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as questions:
            assert next_sheet(crew.newcomer, seed=1)
        return len(questions)

    crew.sheet()
    few = asked()
    for _ in range(5):
        crew.sheet()
    assert asked() == few <= 9
