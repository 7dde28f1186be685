"""The re-check list holds exactly the sheets whose meaning changes, from the database to the list and back."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from crewprep.analysis.selectors import current_analysis
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.conventions.selectors import SLOT_FIELDS
from crewprep.conventions.services import publish_convention, save_draft
from crewprep.crews.models import Membership
from crewprep.models import Recheck, SheetMarker, SheetVersion, Track
from crewprep.sheets.checking import all_findings
from crewprep.sheets.publishing import effect_of_draft, publish
from tests import factories
from tests.sheets.test_effect import BEATS, LABELS, RESULT, Case, Labels, Markers, cases, changed

Sheet = tuple[Markers, Labels]


def document(slots: list[Slot]) -> dict[str, Any]:
    """A document of slots."""
    given = [
        {field: getattr(slot, field) for field in SLOT_FIELDS} for slot in sorted(slots, key=lambda one: one.number)
    ]
    return {"name": "House", "slots": given}


@st.composite
def libraries(draw: st.DrawFn) -> tuple[Case, list[Sheet]]:
    """Old rules, new rules, and the markers of three sheets under the old ones."""
    old, new, markers, labels = draw(cases())
    sheets = [(markers, labels)]
    for _ in range(2):
        some: Markers = {}
        for slot in old:
            start = draw(st.sampled_from((None, 16, 17, 64)))
            if start is not None:
                bars = draw(st.sampled_from((2, 4)))
                some[slot.number] = (BEATS[start], BEATS[start + bars * 4] if slot.kind == "loop" else None)
        sheets.append((some, {number: draw(LABELS) for number in some}))
    return (old, new, markers, labels), sheets


def stored(lead: Membership, track: Track, version: ConventionVersion, given: Sheet) -> SheetVersion:
    """An approved sheet as an approval stores it, whatever its markers are."""
    markers, labels = given
    analysis = current_analysis(track)
    assert analysis is not None
    rows = [
        SheetMarker(slot=slot, start_us=start, end_us=end, label=labels[slot]) for slot, (start, end) in markers.items()
    ]
    author = factories.user()
    sheet = SheetVersion.objects.create(
        crew=lead.crew, track=track, number=1, convention_version=version, analysis=analysis, proposed_by=author,
        approved_by=lead.user, findings=all_findings(rows, version, RESULT),
    )  # fmt: skip
    for row in rows:
        row.sheet = sheet
    SheetMarker.objects.bulk_create(rows)
    return sheet


class ExactLists(TestCase):
    """Through publishing, as a crew does it."""

    def setUp(self) -> None:
        """A crew with three analysed tracks."""
        self.lead = factories.crew_with()
        crate = factories.crate(self.lead)
        self.tracks = [factories.analysed_track(self.lead, crate, RESULT) for _ in range(3)]

    @settings(max_examples=40, deadline=None)
    @given(libraries())
    def test_the_list_is_exact(self, library: tuple[Case, list[Sheet]]) -> None:
        (old, new, _, _), sheets = library
        with transaction.atomic():
            version = publish_convention(member=self.lead, document=document(old))
            made = [stored(self.lead, track, version, given) for track, given in zip(self.tracks, sheets, strict=True)]
            expected = {sheet.pk for sheet, given in zip(made, sheets, strict=True) if changed(old, new, *given)}
            draft = save_draft(member=self.lead, document=document(new), seen_revision=0)
            shown = effect_of_draft(draft)
            if document(old) == document(new):
                assert not shown.touched
            else:
                published = publish(member=self.lead, draft=draft, seen_revision=1)
                listed = set(Recheck.objects.filter(convention_version=published).values_list("sheet_id", flat=True))
                assert listed == {line.sheet.pk for line in shown.touched} == expected
                assert shown.kept == len(made) - len(expected)
            transaction.set_rollback(True)
