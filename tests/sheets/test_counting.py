"""Which sheets count is decided once and kept: whatever happens, the rows are those of the rule."""

from __future__ import annotations

import datetime as dt
import importlib
import time
from collections.abc import Iterator
from uuid import UUID

import pytest
from django.apps import apps
from django.core.management import call_command

from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.models import Recheck, SheetVersion
from crewprep.review.services import approve_proposal
from crewprep.sheets import counting, publishing
from crewprep.sheets.counting import counted_by_rule
from crewprep.sheets.models import CountedSheet
from crewprep.sheets.publishing import move_crate, publish_document
from crewprep.sheets.rechecks import still_right
from crewprep.sheets.selectors import has_sheet
from crewprep.tracks.models import Track
from tests import factories
from tests.review.test_rival_verdicts import race, rounds
from tests.sheets.test_rechecks import SWAPPED, approved, changed

Counted = dict[tuple[UUID, UUID], dt.datetime]


def kept() -> Counted:
    """What is kept, after comparing it with the rule and with the sentence of the module, asked pair by pair."""
    rows = {(row.track_id, row.convention_version_id): row.since for row in CountedSheet.objects.all()}
    assert rows == counted_by_rule(Track.objects.values_list("pk", flat=True))
    pairs = {
        (track.pk, version.pk)
        for track in Track.objects.all()
        for version in ConventionVersion.objects.all()
        if any(counts(track, version))
    }
    assert rows.keys() == pairs
    return rows


def counts(track: Track, version: ConventionVersion) -> Iterator[bool]:
    """Whether a sheet of the track counts under the version: the two cases, read word for word."""
    sheets = SheetVersion.objects.filter(track=track)
    yield sheets.filter(convention_version=version).exists()
    latest = sheets.order_by("-number").first()
    if latest is None:
        return
    line = ConventionVersion.objects.filter(convention=version.convention_id)
    there_before = line.filter(created_at__lte=latest.created_at).order_by("-number").first()
    compared = version.created_at > latest.created_at or version == there_before
    older = latest.convention_version.convention_id == version.convention_id
    older = older and latest.convention_version.number < version.number
    waiting = Recheck.objects.filter(sheet=latest, convention_version=version, ended="")
    yield older and compared and not waiting.exists()


@pytest.mark.django_db
def test_it_follows_approvals_versions_and_looks(lead: Membership, resident: Membership, crate: Crate) -> None:
    first = crate.convention_version
    whole, few = approved(lead, resident, crate, slots=(1, 4)), approved(lead, resident, crate, slots=(4, 8))
    assert kept() == {(one.track_id, first.pk): one.created_at for one in (whole, few)}

    second = publish_document(member=lead, document=changed((8, {"loop_bars": 8})))
    assert (whole.track_id, second.pk) in kept(), "it has nothing in slot 8"
    assert (few.track_id, second.pk) not in kept()
    assert move_crate(member=lead, crate=crate, version=second, seen_version=first) == 1
    places = dict(CrateTrack.objects.filter(crate=crate).annotate(done=has_sheet()).values_list("track", "done"))
    assert places == {whole.track_id: True, few.track_id: False}

    look = still_right(member=resident, recheck=Recheck.objects.get(sheet=few), note="loops well")
    assert kept()[few.track_id, second.pk] == look.closed_at

    third = publish_document(member=lead, document=SWAPPED)
    assert {version for _, version in kept()} == {first.pk, second.pk}, "what slots 4 and 6 say has changed"
    late = approved(lead, resident, crate, version=first)  # by a version overtaken twice
    assert {version for track, version in kept() if track == late.track_id} == {first.pk}

    by_third = approved(lead, resident, crate, made=whole.track, version=third)
    counted = kept()
    assert counted[whole.track_id, third.pk] == by_third.created_at
    assert counted[whole.track_id, first.pk] == whole.created_at, "its own sheet counts on"
    assert (whole.track_id, second.pk) not in counted, "the sheet that was kept there is overtaken"


@pytest.mark.django_db
def test_older_sheets_are_counted_once_and_anew(lead: Membership, resident: Membership, crate: Crate) -> None:
    approved(lead, resident, crate, slots=(1, 2)), approved(lead, resident, crate, slots=(1, 8))
    publish_document(member=lead, document=changed((8, {"loop_bars": 8})))
    before = kept()
    CountedSheet.objects.all().delete()
    importlib.import_module("crewprep.migrations.0029_count_all_sheets").count_all(apps, None)
    assert kept() == before
    CountedSheet.objects.update(since=dt.datetime(2001, 1, 1, tzinfo=dt.UTC))
    call_command("rebuild_standings")
    assert kept() == before


@pytest.mark.django_db(transaction=True)
def test_a_version_and_an_approval_by_another_convention_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """No lock of a convention is between them: the later must see the earlier all the same. The approval lingers
    between looking and writing, the version between writing and being seen, so that they do meet."""
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    crate, other = factories.crate(lead), factories.crate(lead)
    move_crate(
        member=lead, crate=other, version=factories.convention(lead, name="Warehouse"),
        seen_version=other.convention_version,
    )  # fmt: skip

    def lingering(tracks: list[UUID]) -> Counted:
        found = counted_by_rule(tracks)
        time.sleep(0.1)
        return found

    def lingering_after(version: ConventionVersion) -> None:
        counting.count_kept(version)
        time.sleep(0.1)

    for number in range(max(5, rounds() // 10)):
        sheet = approved(lead, resident, crate, slots=(1, 4))
        proposal = factories.proposal(resident, made=sheet.track, into=other)
        document = changed((1, {"guidance": f"as in round {number}"}))
        with monkeypatch.context() as patch:
            patch.setattr(counting, "counted_by_rule", lingering)
            patch.setattr(publishing, "count_kept", lingering_after)
            outcomes = race(
                lambda document=document: publish_document(member=lead, document=document),  # type: ignore[misc]  # defaults bind the loop
                lambda proposal=proposal: approve_proposal(member=lead, proposal=proposal, seen_revision=1),  # type: ignore[misc]  # likewise
            )
        assert outcomes == {"won": 2}
        kept()
