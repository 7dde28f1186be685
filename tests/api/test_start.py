"""Programs read the first hour, say what is taken, and find where slots can be heard; held to the document."""

from __future__ import annotations

import pytest

from crewprep.models import Sight
from tests.web.examples_scene import heard_sheet

pytestmark = pytest.mark.django_db


def test_steps_are_read_taken_and_put_away(crewed, as_member):
    newcomer, url = as_member(crewed.newcomer), f"{crewed.base}start/"
    begun = newcomer.get(url).json()
    assert (begun["done"], begun["away"], len(begun["steps"])) == (0, False, 6)
    assert [step["code"] for step in begun["steps"] if step["state"] == "next"] == ["slots"]
    assert newcomer.post(url, {"step": "slots"}).json()["done"] == 1
    assert newcomer.post(url, {"step": "sign-off"}).status_code == 422
    assert newcomer.put(url, {"away": True}).json()["away"] is True
    assert newcomer.put(url, {"away": False}).json()["away"] is False
    assert as_member(crewed.lead).get(url).json()["steps"][0]["code"] == "convention"


def test_examples_name_the_pieces_and_count_as_seen(crewed, as_member):
    sheet = heard_sheet(crewed.lead, crewed.crate)
    url = f"{crewed.base}examples/"
    as_member(crewed.lead).get(url)
    assert not Sight.objects.exists()
    found = as_member(crewed.newcomer).get(url).json()
    assert Sight.objects.get().track_id == sheet.track_id
    drop = found["slots"][3]
    assert (drop["number"], drop["function"], drop["guidance"]) == (4, "drop", "How to find the first drop.")
    assert any("build-up begins" in slip for slip in drop["slips"])
    marker = sheet.markers.get(slot=4)
    assert [(one["track"], one["start_us"]) for one in drop["examples"]] == [(str(sheet.track_id), marker.start_us)]
    assert drop["examples"][0]["from_us"] < marker.start_us < drop["examples"][0]["until_us"]
    assert found["left"] == 0
