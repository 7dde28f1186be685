"""Writing a convention: slots come, go and move without scripts, and nothing that was typed is lost."""

from __future__ import annotations

import re
from typing import Any

import pytest

from crewprep.conventions.selectors import convention_draft_for, current_version, draft_of
from crewprep.conventions.services import starter
from crewprep.crews.models import Membership, Role
from tests import factories
from tests.web.test_pages import at, publish_by_form, signed_in, slots_form

pytestmark = pytest.mark.django_db


def sent(lead: Membership, form: dict[str, Any]) -> Any:
    """Send the form over whatever revision there is."""
    draft = draft_of(lead)
    return signed_in(lead).post(at("convention-draft", lead), {"seen_revision": draft.revision if draft else 0, **form})


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


def numbers(lead: Membership) -> list[int]:
    """The slots' numbers in the draft."""
    return [slot["number"] for slot in convention_draft_for(lead).document["slots"]]


def test_a_retired_slot_leaves_its_number_free_until_the_gaps_are_closed(lead: Membership) -> None:
    document = starter("eight")
    answer = sent(lead, slots_form(document, do="remove-3"))
    expected = slot_names(document)
    del expected[2]
    assert names(answer) == expected
    assert numbers(lead) == [1, 2, 4, 5, 6, 7, 8]
    assert "Close the gaps" in answer.content.decode()
    draft = convention_draft_for(lead).document
    sent(lead, slots_form(draft, do="add"))
    assert numbers(lead) == [1, 2, 4, 5, 6, 7, 8, 9], "a new slot takes no number that sheets may still hold"
    closed = sent(lead, slots_form(convention_draft_for(lead).document, do="close"))
    assert numbers(lead) == list(range(1, 9))
    assert "Close the gaps" not in closed.content.decode()


def test_a_slot_moves_up_with_all_that_belongs_to_it(lead: Membership) -> None:
    document = starter("four")
    first, second, *rest = slot_names(document)
    answer = sent(lead, slots_form(document, do="up-2", **{"slots-1-lead_bars": "12"}))
    assert names(answer) == [second, first, *rest]
    assert numbers(lead) == [1, 2, 3, 4]
    assert re.search(r'name="slots-0-lead_bars" value="12"', answer.content.decode())


@pytest.mark.parametrize("do", ["remove-1", "remove-99", "up-1", "up-0", "up-x", "keep", "", "nonsense"])
def test_what_cannot_be_done_leaves_the_form_as_it_is(lead: Membership, do: str) -> None:
    document = starter("four")  # four is the least, so none may go
    assert names(sent(lead, slots_form(document, do=do))) == slot_names(document)
    assert current_version(lead) is None


def test_sixteen_slots_are_the_most(lead: Membership) -> None:
    document = starter("eight")
    more = [{**slot, "number": slot["number"] + 8} for slot in document["slots"]]
    full = {**document, "slots": [*document["slots"], *more]}
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
        ({"slots-0-labels": "Bells, choir, BELLS"}, "The label “BELLS” stands there twice"),
        ({"slots-0-labels": "x" * 61}, "has more than 60 letters, so shorten it."),
        ({"slots-0-labels": ",".join(str(number) for number in range(13))}, "At most 12 labels can be agreed on"),
        ({"slots-0-labels": "a\tb"}, "no sign that cannot be shown"),
        ({"name": ""}, "Give the convention a name"),
        ({"slots-2-number": "2"}, "Another slot has number 2 already"),
        ({"slots-2-number": "17"}, "The highest number is 16"),
        ({"slots-2-number": ""}, "Give the slot a number"),
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
    page = at("convention-draft", lead)
    assert names(client.get(page)) == slot_names(starter("eight"))
    factories.convention(lead, slots=5)
    assert len(names(client.get(page))) == 5
    assert names(client.get(page, {"from": "four"})) == slot_names(starter("four"))
    assert len(names(client.get(page, {"from": "../../settings"}))) == 5


def test_a_second_version_of_the_same_name_leaves_the_first_as_it_was(lead: Membership) -> None:
    document = starter("four")
    publish_by_form(lead, document)
    first = current_version(lead)
    document["slots"][0]["name"] = "Calm place"
    publish_by_form(lead, document)
    second = current_version(lead)
    assert first is not None
    assert second is not None
    assert (first.number, second.number) == (1, 2)
    assert first.slots.get(number=1).name == starter("four")["slots"][0]["name"]
    page = signed_in(lead).get(at("convention-version", lead, first.pk)).content.decode()
    assert "version 1" in page
    assert "Calm place" not in page


def test_what_is_not_ready_is_saved_as_it_was_typed(lead: Membership) -> None:
    typed = {"slots-3-kind": "loop", "slots-3-loop_bars": "a few", "slots-2-name": ""}
    answer = sent(lead, slots_form(starter("four"), do="save", **typed))
    assert answer.url == at("convention-draft", lead)
    body = signed_in(lead).get(answer.url).content.decode()
    assert re.search(r'name="slots-3-loop_bars" value="a few"', body)
    preview = signed_in(lead).get(at("convention-publish", lead)).content.decode()
    assert "Not ready to publish" in preview
    assert 'value="publish"' not in preview


def test_a_lead_who_was_overtaken_is_told_and_keeps_what_they_typed(lead: Membership) -> None:
    other = factories.member_of(lead.crew, Role.LEAD)
    sent(other, slots_form(starter("four"), do="save"))
    form = slots_form(starter("eight"), do="save", seen_revision="0", **{"slots-3-guidance": "Typed by me."})
    overtaken = signed_in(lead).post(at("convention-draft", lead), form)
    body = overtaken.content.decode()
    assert overtaken.status_code == 409
    assert str(other.user) in body
    assert "Typed by me." in body
    assert convention_draft_for(lead).document["slots"][3].get("guidance") != "Typed by me."
    seen = re.search(r'name="seen_revision" value="(\d+)"', body)
    assert seen is not None
    signed_in(lead).post(at("convention-draft", lead), {**form, "seen_revision": seen[1]})
    assert convention_draft_for(lead).document["slots"][3]["guidance"] == "Typed by me."


def test_agreed_labels_are_typed_with_commas_and_come_back_so(lead: Membership) -> None:
    sent(lead, slots_form(starter("four"), do="save", **{"slots-1-labels": " Bells,choir , , Strings,"}))
    assert convention_draft_for(lead).document["slots"][1]["labels"] == ["Bells", "choir", "Strings"]
    assert convention_draft_for(lead).document["slots"][0]["labels"] == []
    body = signed_in(lead).get(at("convention-draft", lead)).content.decode()
    assert re.search(r'name="slots-1-labels" value="Bells, choir, Strings"', body)
    long = ", ".join(f"{number:060}" for number in range(12))
    sent(lead, slots_form(starter("four"), do="save", **{"slots-1-labels": long, "slots-1-name": ""}))
    body = signed_in(lead).get(at("convention-draft", lead)).content.decode()
    assert f'name="slots-1-labels" value="{long}"' in body, "the longest list is kept whole beside a slip"
    document = starter("four")
    document["slots"][1]["labels"] = ["Bells", "choir"]
    publish_by_form(lead, document)
    version = current_version(lead)
    assert version is not None
    assert [slot.labels for slot in version.slots.all()] == [[], ["Bells", "choir"], [], []]
    assert "Labels: Bells, choir" in signed_in(lead).get(at("convention", lead)).content.decode()
