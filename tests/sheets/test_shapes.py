"""Judging many sheets at once says of each what judging it alone says, and publishing writes what follows from that."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import asdict, dataclass, replace
from unittest.mock import patch

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from analysis_worker.core.convention import MIN_SLOTS, SNAPS_BEATS
from crewprep.activity.models import Activity
from crewprep.analysis.musical_time import MusicalTime
from crewprep.analysis.selectors import current_analysis
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.conventions.services import slots_from
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.models import CountedSheet, Recheck, SheetMarker, SheetVersion
from crewprep.sheets import shapes
from crewprep.sheets.affected import Effect, effect_on_convention, effect_on_crate
from crewprep.sheets.checking import all_findings
from crewprep.sheets.counting import counted_by_rule
from crewprep.sheets.effect import Reason, ReasonKind, SheetView, needs_grid, reasons
from crewprep.sheets.publishing import publish_document
from crewprep.tracks.models import Track
from tests import factories
from tests.sheets.test_effect import BEATS, LABELS, RESULT, conventions
from tests.sheets.test_exact_lists import document
from tests.sheets.test_rechecks import approved, changed

FACTS = (
    RESULT,
    factories.analysis_result(bpm=126.0),
    replace(RESULT, beats_us=(), downbeats_us=(), phrases_us=()),  # laid out by the clock
)
TRACKS = 5


@dataclass(frozen=True)
class Given:
    """A sheet to be: of which track, by the first version or the second, whether anybody checked it, and its markers
    (beat, bars of a loop, label) by place among the slots."""

    track: int
    second: bool
    checked: bool
    markers: dict[int, tuple[int, int, str]]


@st.composite
def other_rules(draw: st.DrawFn, old: list[Slot]) -> list[Slot]:
    """The rules with a few fields changed, or others altogether."""
    if draw(st.integers(0, 3)) == 0:
        return draw(conventions())
    numbers = [slot.number for slot in old]
    numbers = draw(st.sampled_from((numbers, numbers, numbers[::-1])))
    retired = draw(st.sets(st.sampled_from(numbers), max_size=len(old) - MIN_SLOTS))
    return [
        Slot(
            number=number, function=slot.function, which=slot.which, name=slot.name, kind=slot.kind,
            loop_bars=draw(st.sampled_from((slot.loop_bars, 2, 4))) if slot.kind == "loop" else None,
            lead_bars=draw(st.sampled_from((slot.lead_bars, slot.lead_bars, 0))),
            snap_beats=draw(st.sampled_from((slot.snap_beats, slot.snap_beats, *SNAPS_BEATS))),
            required=draw(st.booleans()), colour="black", shape="circle",
            labels=draw(st.sampled_from((list(slot.labels), list(slot.labels), [], ["low"]))),
        )
        for number, slot in zip(numbers, old, strict=True)
        if number not in retired
    ]  # fmt: skip


SHEETS = st.lists(
    st.builds(
        Given, st.integers(0, TRACKS - 1), st.booleans(), st.sampled_from((True, True, False)),
        st.dictionaries(
            st.integers(0, 5), st.tuples(st.sampled_from((0, 16, 17, 64)), st.sampled_from((2, 4)), LABELS)
        ),
    ),
    min_size=1, max_size=9,
)  # fmt: skip


def stored(lead: Membership, track: Track, version: ConventionVersion, one: Given) -> SheetVersion:
    """An approved sheet as an approval stores it, whatever its markers are; it replaces the one before."""
    slots = list(version.slots.all())
    rows = [
        SheetMarker(
            slot=slots[place].number, start_us=BEATS[beat], label=label,
            end_us=BEATS[beat + bars * 4] if slots[place].kind == "loop" else None,
        )
        for place, (beat, bars, label) in one.markers.items()
        if place < len(slots)
    ]  # fmt: skip
    analysis = current_analysis(track)
    assert analysis is not None
    sheet = SheetVersion.objects.create(
        crew=lead.crew, track=track, number=track.sheet_versions.count() + 1, convention_version=version,
        analysis=analysis, proposed_by=factories.user(), approved_by=lead.user,
        findings=all_findings(rows, version, analysis.result) if one.checked else None,
    )  # fmt: skip
    for row in rows:
        row.sheet = sheet
    SheetMarker.objects.bulk_create(rows)
    return sheet


def one_by_one(sheets: list[SheetVersion], slots: list[Slot]) -> dict[SheetVersion, tuple[Reason, ...]]:
    """Why each sheet is touched, by all that is known of it."""
    found = {}
    for sheet in sorted(sheets, key=lambda one: (one.track.title, one.track.pk)):
        markers = list(sheet.markers.all())
        odd = None
        if sheet.findings is not None:
            odd = frozenset(one["slot"] for one in sheet.findings if one["check"] == "loop-length")
        view = SheetView(
            {one.slot: (one.start_us, one.end_us) for one in markers}, odd, {one.slot: one.label for one in markers}
        )
        comparison = compare_slots(sheet.convention_version.slots.all(), slots)
        grid = MusicalTime.of(sheet.analysis.result) if needs_grid(comparison, view) else None
        found[sheet] = reasons(comparison, view, grid)
    return found


def same(effect: Effect, why: dict[SheetVersion, tuple[Reason, ...]]) -> None:
    """Whether an effect is what was found sheet by sheet, in its order."""
    touched = {sheet: one for sheet, one in why.items() if one}
    assert [(line.sheet, line.reasons) for line in effect.touched] == list(touched.items())
    assert effect.kept == len(why) - len(touched)
    counted: Counter[tuple[ReasonKind, int]] = Counter()
    for one in touched.values():
        counted.update({(reason.kind, reason.slot) for reason in one})
    assert {(one.kind, one.slot): one.sheets for one in effect.counts} == counted
    assert len(effect.touched) == len(touched)
    assert [line.sheet for line in effect.touched[1:3]] == list(touched)[1:3]


class ManyAtOnce(TestCase):
    """Random lines of versions and sheets."""

    def setUp(self) -> None:
        """A crew with a few analysed tracks, two of them without an even grid."""
        self.lead = factories.crew_with()
        self.crate = factories.crate(self.lead)
        self.tracks = [
            factories.analysed_track(self.lead, self.crate, FACTS[number % len(FACTS)]) for number in range(TRACKS)
        ]

    @settings(max_examples=80, deadline=None)
    @given(st.data())
    def test_as_one_by_one(self, data: st.DataObject) -> None:
        first = data.draw(conventions())
        second, new = data.draw(other_rules(first)), data.draw(other_rules(first))
        sheets = data.draw(SHEETS)
        with transaction.atomic(), patch.object(shapes, "_GRIDS_AT_A_TIME", 2):
            versions = [publish_document(member=self.lead, document=document(rules)) for rules in (first, second)]
            for one in sheets:
                stored(self.lead, self.tracks[one.track], versions[one.second], one)
            latest = [sheet for track in self.tracks for sheet in track.sheet_versions.all()[:1]]
            rules = slots_from(document(new))
            why = one_by_one(latest, rules)
            same(effect_on_convention(self.lead.crew, "House", rules), why)
            published = publish_document(member=self.lead, document=document(new))
            same(effect_on_crate(self.crate, published), why)
            self.is_written(published, why)
            transaction.set_rollback(True)

    def is_written(self, published: ConventionVersion, why: dict[SheetVersion, tuple[Reason, ...]]) -> None:
        listed = {row.sheet_id: row for row in Recheck.objects.filter(convention_version=published)}
        touched = {sheet.pk: [asdict(reason) for reason in one] for sheet, one in why.items() if one}
        assert {pk: row.reasons for pk, row in listed.items()} == touched
        assert all((row.track_id, row.crew_id, row.ended) == (row.sheet.track_id, self.lead.crew_id, "")
                   for row in listed.values())  # fmt: skip
        told = Activity.objects.filter(verb="re-check list opened", subject_id=published.pk)
        assert [row.details["sheets"] for row in told] == ([len(touched)] if touched else [])
        tracks = [track.pk for track in self.tracks]
        rule = {pair: since for pair, since in counted_by_rule(tracks).items() if pair[1] == published.pk}
        rows = CountedSheet.objects.filter(convention_version=published)
        assert {(row.track_id, row.convention_version_id): row.since for row in rows} == rule
        assert {row.crew_id for row in rows} <= {self.lead.crew_id}
        assert {track for track, _ in rule} == {sheet.track_id for sheet, one in why.items() if not one}


@pytest.mark.django_db
def test_a_sheet_that_seems_younger_than_the_version_counts_by_the_rule(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    """As where the clocks of two hosts differ: of the versions before it, it counts under the newest alone."""
    sheet = approved(lead, resident, crate)
    second = publish_document(member=lead, document=changed((1, {"name": "Way in"})))
    SheetVersion.objects.filter(pk=sheet.pk).update(created_at=second.created_at + dt.timedelta(minutes=1))
    third = publish_document(member=lead, document=changed((1, {"name": "Way through"})))
    rows = {(row.track_id, row.convention_version_id) for row in CountedSheet.objects.all()}
    assert rows == counted_by_rule([sheet.track_id]).keys() >= {(sheet.track_id, third.pk)}
    assert (sheet.track_id, second.pk) not in rows


@pytest.mark.django_db
def test_more_sheets_ask_the_database_no_more(lead: Membership, resident: Membership, crate: Crate) -> None:
    """Through publishing, with sheets that are touched and sheets that are not."""
    asked: list[int] = []
    for number in range(3):
        for slots in ((1, 2, 8), (1, 2, 4), (1, 2, 4, 7)):
            approved(lead, resident, crate, slots=slots)
        document = changed((8, {"loop_bars": 5 + number}), (7, {"labels": [f"bells {number}"]}))
        with CaptureQueriesContext(connection) as queries:
            publish_document(member=lead, document=document)
        asked.append(len(queries))
    assert asked[0] == asked[1] == asked[2]
