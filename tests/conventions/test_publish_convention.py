"""A lead publishes; a published version never changes."""

from __future__ import annotations

from typing import Any

import pytest

from analysis_worker.core.convention import ConventionRules
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.conventions.selectors import as_document, current_version, rules_of
from crewprep.conventions.services import STARTERS, publish_convention, publish_draft, save_draft, starter
from crewprep.crews.models import Membership
from tests import factories
from tests.factories.music import convention_document

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("name", sorted(STARTERS))
def test_our_own_conventions_publish_and_read_back_the_same(lead: Membership, name: str) -> None:
    document = starter(name)
    version = publish_convention(member=lead, document=document)
    assert as_document(version) == document
    assert rules_of(version) == ConventionRules.from_document(document)


def test_agreed_labels_are_kept_without_spaces_around_them(lead: Membership) -> None:
    document = convention_document()
    document["slots"][6]["labels"] = [" Bells", "choir "]
    version = publish_convention(member=lead, document=document)
    assert version.slots.get(number=7).labels == ["Bells", "choir"]
    assert version.slots.get(number=1).labels == []
    assert rules_of(version).slots[6].labels == ("Bells", "choir")
    assert rules_of(version).slots[0].labels == ()
    same = save_draft(member=lead, document=document, seen_revision=0)
    with pytest.raises(Conflict):
        publish_draft(member=lead, draft=same, seen_revision=1)


def test_versions_count_up_and_the_last_is_current(lead: Membership) -> None:
    first = publish_convention(member=lead, document=convention_document())
    second = publish_convention(member=lead, document=convention_document(slots=6))
    assert (first.number, second.number) == (1, 2)
    assert current_version(lead) == second
    assert first.slots.count() == 8


def test_only_a_lead_publishes(lead: Membership) -> None:
    with pytest.raises(Refused):
        publish_convention(member=factories.member_of(lead.crew), document=convention_document())
    assert current_version(lead) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"slots": []}, "4 to 16 slots"),
        ({"name": "  "}, "needs a name"),
        ({"name": "x" * 81}, "at most 80"),
        ({"slot": {"function": "sparkle"}}, "function must be one of"),
        ({"slot": {"number": 2}}, "slot 2 cannot follow slot 2"),
        ({"slot": {"number": 17}}, "number from 1 to 16"),
        ({"slot": {"number": True}}, "number from 1 to 16"),
        ({"slot": {"colour": "mauve"}}, "colour must be one of"),
        ({"slot": {"shape": "blob"}}, "shape must be one of"),
        ({"slot": {"kind": "loop"}}, "needs loop_bars"),
        ({"slot": {"snap_beats": 0.3}}, "snap_beats must be one of"),
        ({"slot": {"name": "x" * 41}}, "at most 40"),
    ],
)
def test_a_convention_that_cannot_be_used_says_where(lead: Membership, change: dict[str, Any], words: str) -> None:
    document = convention_document()
    slot = change.pop("slot", None)
    document.update(change)
    if slot:
        document["slots"][2].update(slot)
    with pytest.raises(Invalid) as refusal:
        publish_convention(member=lead, document=document)
    assert words in refusal.value.sentence
    if slot and "number" not in slot:
        assert "lot 3" in refusal.value.sentence
    assert current_version(lead) is None


def test_published_rows_never_change(lead: Membership) -> None:
    version = factories.convention(lead)
    with pytest.raises(TypeError):
        version.save()
    slot = version.slots.get(number=4)
    slot.name = "Something else"
    with pytest.raises(TypeError):
        slot.save()
