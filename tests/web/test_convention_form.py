"""Writing a convention: slots come, go and move without scripts, and nothing that was typed is lost."""

from __future__ import annotations

import re
from typing import Any

import pytest

from crewprep.conventions.selectors import current_version
from crewprep.conventions.services import starter
from crewprep.crews.models import Membership
from tests import factories
from tests.web.test_pages import at, signed_in, slots_form

pytestmark = pytest.mark.django_db


def sent(lead: Membership, form: dict[str, Any]) -> Any:
    return signed_in(lead).post(at("convention-publish", lead), form)


def names(answer: Any) -> list[str]:
    """The names of the slots in the form that came back."""
    found = re.findall(r'<input[^>]*name="slots-(\d+)-name"[^>]*>', answer.content.decode())
    body = answer.content.decode()
    fields = [re.search(rf'<input[^>]*name="slots-{index}-name"[^>]*>', body) for index in found]
    values = [re.search(r'value="([^"]*)"', field[0]) for field in fields if field]
    return [value[1] if value else "" for value in values]


def slot_names(document: dict[str, Any]) -> list[str]:
    return [slot["name"] for slot in document["slots"]]


def test_a_slot_is_added_at_the_end_and_nothing_is_published(lead: Membership) -> None:
    document = starter("four")
    answer = sent(lead, slots_form(document, do="add", **{"slots-0-guidance": "Typed just now."}))
    assert answer.status_code == 200
    assert names(answer) == [*slot_names(document), ""]
    assert "Typed just now." in answer.content.decode()
    assert current_version(lead) is None


def test_a_slot_is_taken_away_and_the_others_close_up(lead: Membership) -> None:
    document = starter("eight")
    answer = sent(lead, slots_form(document, do="remove-3"))
    expected = slot_names(document)
    del expected[2]
    assert names(answer) == expected


def test_a_slot_moves_up_with_all_that_belongs_to_it(lead: Membership) -> None:
    document = starter("four")
    first, second, *rest = slot_names(document)
    answer = sent(lead, slots_form(document, do="up-2", **{"slots-1-lead_bars": "12"}))
    assert names(answer) == [second, first, *rest]
    assert re.search(r'name="slots-0-lead_bars" value="12"', answer.content.decode())


@pytest.mark.parametrize("do", ["remove-1", "remove-99", "up-1", "up-0", "up-x", "keep", "", "nonsense"])
def test_what_cannot_be_done_leaves_the_form_as_it_is(lead: Membership, do: str) -> None:
    document = starter("four")  # four is the least, so none may go
    assert names(sent(lead, slots_form(document, do=do))) == slot_names(document)
    assert current_version(lead) is None


def test_sixteen_slots_are_the_most(lead: Membership) -> None:
    document = starter("eight")
    full = {**document, "slots": [*document["slots"], *document["slots"]]}
    page = sent(lead, slots_form(full, do="keep"))
    assert len(names(page)) == 16
    assert "at most 16 slots" in page.content.decode()
    assert len(names(sent(lead, slots_form(full, do="add")))) == 16
    assert sent(lead, slots_form(full)).status_code == 302
    over = {**full, "slots": [*full["slots"], document["slots"][0]]}
    assert sent(lead, slots_form(over)).status_code == 422


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"slots-3-kind": "loop", "slots-3-loop_bars": ""}, "A loop needs a length"),
        ({"slots-0-lead_bars": "65"}, "at most 64 bars"),
        ({"slots-0-lead_bars": "a few"}, "whole number of bars"),
        ({"slots-0-colour": "beige"}, "beige"),
        ({"slots-0-guidance": "x" * 301}, "at most 300"),
        ({"name": ""}, "Give the convention a name"),
        ({"slots-TOTAL_FORMS": "3"}, "at least 4"),
        ({"slots-TOTAL_FORMS": "many"}, ""),
    ],
)
def test_a_slip_is_told_and_publishes_nothing(lead: Membership, change: dict[str, str], words: str) -> None:
    answer = sent(lead, slots_form(starter("four"), **change))
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert current_version(lead) is None


def test_the_form_starts_from_the_current_version_or_from_a_starter(lead: Membership) -> None:
    client = signed_in(lead)
    page = at("convention-publish", lead)
    assert names(client.get(page)) == slot_names(starter("eight"))
    factories.convention(lead, slots=5)
    assert len(names(client.get(page))) == 5
    assert names(client.get(page, {"from": "four"})) == slot_names(starter("four"))
    assert len(names(client.get(page, {"from": "../../settings"}))) == 5


def test_a_second_version_of_the_same_name_leaves_the_first_as_it_was(lead: Membership) -> None:
    document = starter("four")
    sent(lead, slots_form(document))
    first = current_version(lead)
    sent(lead, slots_form(document, **{"slots-0-name": "Calm place"}))
    second = current_version(lead)
    assert first is not None
    assert second is not None
    assert (first.number, second.number) == (1, 2)
    assert first.slots.get(number=1).name == document["slots"][0]["name"]
    page = signed_in(lead).get(at("convention-version", lead, first.pk)).content.decode()
    assert "version 1" in page
    assert "Calm place" not in page
