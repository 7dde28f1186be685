"""What a search finds, in which order; the same on every database (this file runs on both)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

import pytest
from django.utils import timezone

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.library.folding import folded
from crewprep.library.models import BrokenCheck, Stand, TrackStanding
from crewprep.library.search import KEYS, SORT_CHOICES, Search, found
from crewprep.library.upkeep import freshen, mark_all
from crewprep.preparation.models import Claim
from crewprep.preparation.services import claim_track
from crewprep.sheets.checking import set_severities
from crewprep.tracks.models import Track
from tests import factories

pytestmark = pytest.mark.django_db

NAMES = [
    ("Élan vital", "Ørsted Quartet"), ("elan again", "Someone"), ("STRASSE bei Nacht", "Łukasz Made-Up"),
    ("straße am Tag", "Someone Else"), ("100% Sure_Thing", "Percent"), ("Zero\\Backslash", ""),
]  # fmt: skip


def stand(lead: Membership, title: str, artist: str = "", **columns: object) -> TrackStanding:
    """A track of which only the standing is known."""
    track = Track.objects.create(crew=lead.crew, title=title, artist=artist)
    values = {"state": Stand.DRAFTED, "sort_title": folded(title), "sort_artist": folded(artist), "seen_revision": 1}
    return TrackStanding.objects.create(crew=lead.crew, track=track, **{**values, **columns})


def titles(rows: Iterable[TrackStanding]) -> list[str]:
    return [row.track.title for row in rows]


@pytest.mark.parametrize("name", ["\ufdfa" * 200, "\u3316" * 200, ("\ufdfa\u3316\u3356" * 67)[:200]])
def test_letters_that_grow_when_taken_apart_leave_the_lists_whole(lead: Membership, name: str) -> None:
    # Unicode 15.1: the longest compatibility decompositions, U+FDFA and U+3316, and both mixed with another.
    Track.objects.filter(pk=factories.track(lead).pk).update(title=name, artist=name)
    mark_all()
    assert len(folded(name)) > 800, "the letters must outgrow the column"
    assert titles(found(lead, Search(text=name[:3]))) == [name]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("elan", ["elan again", "Élan vital"]),
        ("ÉLAN", ["elan again", "Élan vital"]),
        ("E\u0301lan orsted", ["Élan vital"]),
        ("strasse", ["straße am Tag", "STRASSE bei Nacht"]),
        ("Straße someone", ["straße am Tag"]),
        ("LUKASZ", ["STRASSE bei Nacht"]),
        ("100%", ["100% Sure_Thing"]),
        ("%", ["100% Sure_Thing"]),
        ("_", ["100% Sure_Thing"]),
        ("\\", ["Zero\\Backslash"]),
        ("  ", sorted((title for title, _ in NAMES), key=folded)),
        ("nothing of the kind", []),
    ],
)
def test_words_are_found_whatever_their_case_and_accents(lead: Membership, text: str, expected: list[str]) -> None:
    for title, artist in NAMES:
        stand(lead, title, artist)
    stand(factories.crew_with(), "elan of another crew")
    assert titles(found(lead, Search(text=text))) == expected


def test_ranges_include_their_ends_and_leave_out_what_is_unknown(lead: Membership) -> None:
    stand(lead, "a", tempo_bpm=120.0, loudness_lufs=-12.0, confidence=0.2, key_name="A minor")
    stand(lead, "b", tempo_bpm=128.0, loudness_lufs=-9.0, confidence=0.8, key_name="F# minor", state=Stand.APPROVED)
    stand(lead, "c", state=Stand.WORKING)

    def names(**search: object) -> str:
        return "".join(titles(found(lead, Search(**search))))  # type: ignore[arg-type]  # named one by one above

    assert names(tempo_from=120.0, tempo_to=127.9) == "a"
    assert names(tempo_from=120.1) == "b"
    assert names(level_to=-9.0) == "ab"
    assert names(level_from=-9.0) == "b"
    assert names(confidence_to=0.5) == "a"
    assert names(key="F# minor") == "b"
    assert names(states=(Stand.APPROVED, Stand.WORKING)) == "bc"
    assert names(states=(Stand.APPROVED,), key="A minor") == ""


@pytest.mark.parametrize("sort", SORT_CHOICES)
def test_every_order_is_whole_and_puts_the_unknown_last(lead: Membership, sort: str) -> None:
    now = timezone.now()
    for number in range(6):
        stand(
            lead, f"tune {number % 3}", f"artist {number % 2}", tempo_bpm=[None, 90.0, 120.0][number % 3],
            loudness_lufs=[-9.0, None][number % 2], confidence=None if number else 0.5, duration_us=number or None,
            key_name="A minor", added_at=now + dt.timedelta(seconds=number),
        )  # fmt: skip
    rows = list(found(lead, Search(sort=sort)))
    assert len({row.pk for row in rows}) == 6
    assert rows == list(found(lead, Search(sort=sort)))
    column = {"tempo": "tempo_bpm", "level": "loudness_lufs", "confidence": "confidence", "length": "duration_us",
              "added": "added_at", "title": "sort_title", "artist": "sort_artist"}.get(sort.lstrip("-"))  # fmt: skip
    if column:
        values = [getattr(row, column) for row in rows]
        known = [value for value in values if value is not None]
        assert known == sorted(known, reverse=sort.startswith("-"))
        assert values == known + [None] * (len(values) - len(known))


def test_holders_are_those_of_this_moment(lead: Membership, resident: Membership, crate: Crate) -> None:
    held, lapsed, free = (factories.analysed_track(lead, crate) for _ in range(3))
    claim_track(member=resident, track=held)
    claim_track(member=lead, track=lapsed)
    past = timezone.now() - dt.timedelta(hours=3)
    Claim.objects.filter(track=lapsed).update(since=past, until=past + dt.timedelta(hours=2))

    def tracks(holder: str | int) -> set[object]:
        return {row.track_id for row in found(lead, Search(holder=holder))}

    assert tracks(resident.user_id) == {held.pk}
    assert tracks(lead.user_id) == set()
    assert tracks("anybody") == {held.pk}
    assert tracks("nobody") == {lapsed.pk, free.pk}


def test_checks_and_crates(lead: Membership, crate: Crate) -> None:
    other = factories.crate(lead, "Saturday")
    first, second = factories.analysed_track(lead, crate), factories.analysed_track(lead, other)
    freshen()
    BrokenCheck.objects.create(crew=lead.crew, track=first, check_code="label")
    assert [row.track_id for row in found(lead, Search(check="label"))] == [first.pk]
    assert [row.track_id for row in found(lead, Search(check="any"))] == [first.pk]
    assert list(found(lead, Search(check="grid"))) == []
    set_severities(member=lead, severities={"label": "off"})
    assert list(found(lead, Search(check="any"))) == []
    assert [row.track_id for row in found(lead, Search(crate=other.pk))] == [second.pk]


def test_every_key_of_the_analysis_can_be_searched() -> None:
    from analysis_worker.core.key import MAJOR_NAMES, MINOR_NAMES

    assert sorted(KEYS) == sorted(
        [*(f"{name} major" for name in MAJOR_NAMES), *(f"{name} minor" for name in MINOR_NAMES)]
    )
