"""Rows that are drawn once: what they say is theirs alone, and nothing that could change may be kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from uuid import uuid4

import pytest
from django.utils.safestring import mark_safe

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.preparation.services import claim_track
from crewprep.tracks.models import Track
from crewprep.web import crate_list, finding_rows, risk_rows
from crewprep.web.crate_list import Measured, ShownRow
from crewprep.web.drawn import drawn
from crewprep.web.finding_rows import ShownTrack
from crewprep.web.risk_rows import ShownRisk
from tests import factories
from tests.web.test_pages import at, signed_in

ROW = ShownRow(
    crew="a-crew", crate=uuid4(), track=uuid4(), position=3, title="Tune <b>", artist="Somebody",
    measured=Measured(200_000_000, 128.0, True, "A minor", -9.5, 7, "M0 0h1v1z", ""), warnings=("It clips.",),
    tone="good", words="Approved, version 2", detail="", given_to="", held="", proposal=None, has_sheet=True,
    retry=None,
)  # fmt: skip
OTHER_VALUES: dict[str, Any] = {
    "crew": "b-crew", "crate": uuid4(), "track": uuid4(), "position": 4, "title": "Tune", "artist": "",
    "measured": Measured(200_000_000, 128.0, False, "A minor", -9.5, 7, "M0 0h1v1z", ""), "warnings": (),
    "tone": "note", "words": "Draft ready", "detail": "by Ana", "given_to": "For Ana", "held": "You hold it",
    "proposal": uuid4(), "has_sheet": False, "retry": uuid4(),
}  # fmt: skip
TRACK = ShownTrack(
    crew="a-crew", crate=uuid4(), track=uuid4(), title="Tune", artist="Somebody", broken=(), tone="note",
    state="Draft ready", approved=False, sheet=None, duration_us=200_000_000, tempo_bpm=128.0, steady=True,
    key_name="A minor", loudness_lufs=-9.5, confidence=0.5, holder="You", until="21:30", chosen=False,
)  # fmt: skip
OTHER_TRACKS: dict[str, Any] = {
    "crew": "b-crew", "crate": None, "track": uuid4(), "title": "Tune <b>", "artist": "", "broken": ("On the grid",),
    "tone": "good", "state": "Approved", "approved": True, "sheet": 2, "duration_us": None, "tempo_bpm": None,
    "steady": False, "key_name": "", "loudness_lufs": None, "confidence": None, "holder": "", "until": "21:31",
    "chosen": True,
}  # fmt: skip
RISK = ShownRisk(
    crew="a-crew", crate=uuid4(), track=uuid4(), title="Tune", of="", tone="note", state="draft ready",
    minutes="7 min", why="Nobody holds it",
)  # fmt: skip
OTHER_RISKS: dict[str, Any] = {
    "crew": "b-crew", "crate": uuid4(), "track": uuid4(), "title": "Tune <b>", "of": "Friday", "tone": "bad",
    "state": "nothing", "minutes": "8 min", "why": "Ana holds it",
}  # fmt: skip


@pytest.mark.parametrize("name", OTHER_RISKS)
def test_every_value_of_a_risk_is_seen(name: str) -> None:
    assert set(OTHER_RISKS) == set(ShownRisk.__dataclass_fields__)
    assert drawn(risk_rows.TEMPLATE, replace(RISK, **{name: OTHER_RISKS[name]})) != drawn(risk_rows.TEMPLATE, RISK)


@pytest.mark.parametrize("name", OTHER_VALUES)
def test_every_value_of_a_crates_row_is_seen(name: str) -> None:
    assert set(OTHER_VALUES) == set(ShownRow.__dataclass_fields__)
    assert drawn(crate_list.TEMPLATE, replace(ROW, **{name: OTHER_VALUES[name]})) != drawn(crate_list.TEMPLATE, ROW)


@pytest.mark.parametrize("name", set(OTHER_TRACKS) - {"approved"})
def test_every_value_of_a_track_is_seen(name: str) -> None:
    assert set(OTHER_TRACKS) == set(ShownTrack.__dataclass_fields__)
    assert drawn(finding_rows.TEMPLATE, replace(TRACK, **{name: OTHER_TRACKS[name]})) != drawn(
        finding_rows.TEMPLATE, TRACK
    )


def test_the_same_row_is_drawn_once_and_its_texts_are_escaped() -> None:
    drawn.cache_clear()
    first, again = drawn(crate_list.TEMPLATE, ROW), drawn(crate_list.TEMPLATE, replace(ROW))
    assert first is again
    assert (drawn.cache_info().misses, drawn.cache_info().hits) == (1, 1)
    assert "Tune &lt;b&gt;" in first
    assert "Tune <b>" not in first


@dataclass(frozen=True)
class Loose:
    """A row with whatever is put into it."""

    thing: Any


@pytest.mark.parametrize("thing", [Track(title="Tune"), mark_safe("<b>"), ("plain", Track(title="Tune"))])
def test_what_could_change_under_its_name_is_not_kept(thing: Any) -> None:
    with pytest.raises(TypeError, match="cannot be kept"):
        drawn(crate_list.TEMPLATE, Loose(thing))


@pytest.mark.django_db
def test_each_member_sees_their_own_rows(lead: Membership, resident: Membership, crate: Crate) -> None:
    track = factories.analysed_track(lead, crate)
    claim_track(member=lead, track=track)
    for name, args in (("crate", (crate.pk,)), ("tracks", ())):
        mine = signed_in(lead).get(at(name, lead, *args)).content.decode()
        theirs = signed_in(resident).get(at(name, resident, *args)).content.decode()
        assert "You" in mine
        assert str(lead.user) in theirs.split("<main", 1)[-1]
    Track.objects.filter(pk=track.pk).update(title="Another name")
    assert "Another name" in signed_in(lead).get(at("crate", lead, crate.pk)).content.decode()


@pytest.mark.django_db
def test_a_retry_is_in_the_row_of_those_who_may_and_is_sent_with_the_pages_form(
    resident: Membership, newcomer: Membership, crate: Crate
) -> None:
    from crewprep.jobs.models import Job, JobState

    track = factories.track(resident, crate)
    Job.objects.filter(track=track).update(state=JobState.DEAD, error_code="job:gave-up", error_detail="Gave up.")
    page = signed_in(resident).get(at("crate", resident, crate.pk)).content.decode()
    assert page.count('id="retry-form"') == 1
    assert page.count("csrfmiddlewaretoken") >= 1
    assert 'form="retry-form" formaction="' in page
    assert "retry-form" not in signed_in(newcomer).get(at("crate", newcomer, crate.pk)).content.decode()
