"""Programs open a double marking, mark unseen, hand in and read the report; held to the document."""

from __future__ import annotations

import pytest

from tests import factories

pytestmark = pytest.mark.django_db

FIRST = [{"slot": 1, "start_us": 250_007}, {"slot": 4, "start_us": 75_250_007}]
SECOND = [{"slot": 1, "start_us": 250_007}, {"slot": 4, "start_us": 90_250_007}]
"""At odd microseconds, so that a leak shows; slot 4 a phrase later than in the first."""


@pytest.fixture
def two(crewed):
    return crewed.author, factories.member_of(crewed.lead.crew)


def opened(crewed, as_member, two, **changes):
    body = {"name": "November", "members": [one.user.username for one in two], **changes}
    return as_member(crewed.lead).post(f"{crewed.base}double-markings/", body)


def test_from_opening_to_the_report(crewed, as_member, two):
    track = factories.analysed_track(crewed.lead, crewed.crate)
    first, second = (as_member(one) for one in two)
    lead = as_member(crewed.lead)
    made = opened(crewed, as_member, two, tracks=[str(track.pk)])
    assert made.status_code == 201
    assert made.json()["sheets"] == {"total": 2, "handed_in": 0, "yours": 0, "yours_left": 0}
    base = f"{crewed.base}double-markings/{made.json()['id']}/"
    sheet = f"{base}tracks/{track.pk}/"

    assert first.get(f"{crewed.base}double-markings/").json()["results"][0]["sheets"]["yours_left"] == 1
    assert first.get(sheet).json()["markers"] == []
    assert lead.get(sheet).status_code == 404
    assert first.put(sheet, {"markers": FIRST}).status_code == 428
    assert first.put(sheet, {"markers": FIRST}, revision=7).json()["code"] == "double:other-revision"
    kept = first.put(sheet, {"markers": FIRST}, revision=1).json()
    assert (kept["revision"], kept["handed_in_at"]) == (2, None)
    wrong = first.put(sheet, {"markers": [{"slot": 8, "start_us": 5}]}, revision=2)
    assert wrong.json()["code"] == "marker:loop-without-end"
    assert first.post(f"{sheet}hand-in/", {"markers": FIRST}, revision=2).json()["handed_in_at"]
    assert first.put(sheet, {"markers": []}, revision=3).json()["code"] == "double:handed-in"

    for client in (second, lead):
        for url in (base, f"{base}report/", f"{crewed.base}double-markings/", sheet):
            assert "75250007" not in client.get(url).content.decode()
        assert client.get(f"{base}report/").json()["code"] == "double:not-yet"
        assert client.get(base).json()["report_shown"] is False
    assert first.get(base).json()["report_shown"] is True

    assert second.post(f"{sheet}hand-in/", {"markers": SECOND}, revision=1).status_code == 200
    assert lead.get(base).json()["closed_at"] is not None
    report = lead.get(f"{base}report/").json()
    assert report["reword_first"] == [4]
    four = report["slots"][3]
    assert (four["phrase"], four["share_apart"]["apart"], four["apart"][0]["relation"]) == (1, 1, "phrase")
    assert {place["start_us"] for place in four["apart"][0]["places"]} == {75_250_007, 90_250_007}
    assert report["kappa_functions"] == {"value": None, "items": 3, "pairs_of_members": 1}
    assert lead.post(f"{base}close/").json()["code"] == "double:closed"


def test_tracks_are_drawn_and_a_lead_closes_early(crewed, as_member, two):
    for _ in range(3):
        factories.analysed_track(crewed.lead, crewed.crate)
    made = opened(crewed, as_member, two, draw=2, seed=5)
    assert made.json()["sheets"]["total"] == 4
    base = f"{crewed.base}double-markings/{made.json()['id']}/"
    assert as_member(two[0]).post(f"{base}close/").status_code == 403
    assert as_member(crewed.lead).post(f"{base}close/").json()["report_shown"] is True
    assert as_member(two[0]).get(f"{base}report/").json()["tracks"] == 0


def test_what_cannot_be_opened_is_refused(crewed, as_member, two):
    track = factories.analysed_track(crewed.lead, crewed.crate)
    for changes, status in (
        ({}, 422),
        ({"tracks": [str(track.pk)], "draw": 1}, 422),
        ({"draw": 9}, 422),
        ({"tracks": [str(two[0].pk)]}, 404),
        ({"tracks": [str(track.pk)], "members": ["nobody", "no-one"]}, 404),
        ({"tracks": [str(track.pk)], "convention": str(track.pk)}, 404),
    ):
        assert opened(crewed, as_member, two, **changes).status_code == status, changes
    body = {"name": "x", "members": [one.user.username for one in two], "draw": 1}
    assert as_member(two[0]).post(f"{crewed.base}double-markings/", body).status_code == 403
