"""Title and artist as members write them."""

from __future__ import annotations

import pytest
from django.db import transaction

from analysis_worker.core.results import Decode
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crews.models import Membership, Role
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.services import mark_ready
from crewprep.tracks.tags import Tags, edit_tags, tag_changes
from tests import factories

pytestmark = pytest.mark.django_db


@transaction.atomic
def analysed_again(track: Track, title: str, artist: str) -> None:
    decode = Decode("test", "1", 0, 44_100, 2, 44_100, "1" * 64)
    mark_ready(
        track=Track.objects.get(pk=track.pk), copy=reference_copy(track), decode=decode, proxy_key="", peaks_key="",
        warnings=(), title=title, artist=artist,
    )  # fmt: skip
    track.refresh_from_db()


def test_tags_are_changed_with_a_record_and_changed_back(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    before = Tags(track.title, track.artist)
    new = Tags.of("  Warm\tRain ", "Lamp Post")
    assert edit_tags(member=lead, track=track, seen=before, new=new)
    track.refresh_from_db()
    assert (track.title, track.artist) == ("Warm Rain", "Lamp Post")
    assert edit_tags(member=lead, track=track, seen=new, new=before)
    assert not edit_tags(member=lead, track=track, seen=before, new=before)

    assert [(change.old, change.new) for change in tag_changes(track)] == [(new, before), (before, new)]
    row = Activity.objects.filter(verb="tags edited").order_by("created_at").first()
    assert row is not None
    assert row.details == {"title": [before.title, "Warm Rain"], "artist": ["", "Lamp Post"]}


def test_an_analysis_fills_tags_in_and_never_over_a_members(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    from_file = Tags(track.title, "")
    analysed_again(track, "Of the File", "Its Artist")
    assert (track.title, track.artist) == ("Of the File", "Its Artist")
    # Back to what the file is called, and no artist: both are meant.
    edit_tags(member=lead, track=track, seen=Tags("Of the File", "Its Artist"), new=from_file)
    analysed_again(track, "Of the File", "Its Artist")
    assert (track.title, track.artist) == (from_file.title, "")


def test_who_may(lead: Membership) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    resident = factories.member_of(lead.crew)
    track = factories.analysed_track(lead)
    seen = Tags(track.title, track.artist)
    with pytest.raises(Refused):
        edit_tags(member=newcomer, track=track, seen=seen, new=Tags("a", "b"))
    edit_tags(member=resident, track=track, seen=seen, new=Tags("a", "b"))
    Track.objects.filter(pk=track.pk).update(added_by=newcomer.user)
    track.refresh_from_db()
    edit_tags(member=newcomer, track=track, seen=Tags("a", "b"), new=Tags("c", "b"))


def test_what_somebody_wrote_meanwhile_stays(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    seen = Tags(track.title, track.artist)
    edit_tags(member=lead, track=track, seen=seen, new=Tags("a", "b"))
    with pytest.raises(Conflict):
        edit_tags(member=lead, track=track, seen=seen, new=Tags("c", "d"))
    track.refresh_from_db()
    assert (track.title, Activity.objects.filter(verb="tags edited").count()) == ("a", 1)
    with pytest.raises(Invalid):
        Tags.of(" \u202e ", "x")
