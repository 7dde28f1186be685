"""A convention as a file: out and in again is the same, and a wrong file is told where it is wrong."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from analysis_worker.core.convention import COLOURS, FUNCTIONS, SHAPES, SNAPS_BEATS, WHICH, label_key
from crewprep.common.errors import Invalid
from crewprep.conventions.selectors import as_document
from crewprep.conventions.services import STARTERS, publish_convention, starter
from crewprep.conventions.sharing import MAX_BYTES, read_file, write_file
from tests import factories
from tests.factories.music import convention_document

LETTERS = st.characters(exclude_categories=("Cs", "Cc"))
WORDS = st.text(LETTERS, min_size=1, max_size=40)
AGREED = st.text(LETTERS, min_size=1, max_size=60).filter(lambda text: text.strip() == text and "," not in text)


@st.composite
def documents(draw: st.DrawFn) -> dict[str, Any]:
    """Any convention that can be published."""
    numbers = sorted(draw(st.lists(st.integers(1, 16), min_size=4, max_size=16, unique=True)))
    slots = []
    for number in numbers:
        kind = draw(st.sampled_from(("point", "loop")))
        labels = draw(st.lists(AGREED, max_size=12, unique_by=label_key))
        slots.append(
            {
                "number": number, "name": draw(WORDS), "function": draw(st.sampled_from(FUNCTIONS)),
                "which": draw(st.sampled_from(WHICH)), "kind": kind,
                "loop_bars": draw(st.integers(1, 64)) if kind == "loop" else None,
                "lead_bars": draw(st.integers(0, 64)), "snap_beats": draw(st.sampled_from(SNAPS_BEATS)),
                "colour": draw(st.sampled_from(COLOURS)), "shape": draw(st.sampled_from(SHAPES)),
                "required": draw(st.booleans()), "guidance": draw(st.text(LETTERS, max_size=300)),
                **({"labels": labels} if labels else {}),
            }
        )  # fmt: skip
    name = draw(WORDS.filter(lambda text: text.strip() == text))
    return {"name": name, "slots": slots}


class RoundTrip(TestCase):
    """Through the database, since that is the way of a real file."""

    @settings(max_examples=60, deadline=None)
    @given(documents())
    def test_out_and_in_again_is_the_same(self, document: dict[str, Any]) -> None:
        lead = factories.crew_with()
        read = read_file(json.dumps(document).encode())
        assert read == document
        version = publish_convention(member=lead, document=read)
        assert as_document(version) == document
        assert read_file(write_file(version)) == document


@pytest.mark.parametrize("name", sorted(STARTERS))
def test_our_own_conventions_are_files(name: str) -> None:
    assert read_file(json.dumps(starter(name)).encode()) == starter(name)


def edited(change: Callable[[dict[str, Any]], object]) -> bytes:
    document = convention_document()
    change(document)
    return json.dumps(document).encode()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x89PNG", "not text in UTF-8"),
        (b'{"name": "x",\n "slots": [}', "line 2, column 12"),
        (b'{"name": NaN}', "not JSON"),
        (b"[" * 40_000, "not JSON"),
        (b'{"name": "a", "name": "b", "slots": []}', "“name” stands twice"),
        (b" " * (MAX_BYTES + 1), "larger than 64 KiB"),
        (b"[]", "The whole document must be an object"),
        (b'{"slots": []}', "The whole document lacks “name”"),
        (edited(lambda d: d.update(name="")), "“name” must not be empty"),
        (edited(lambda d: d.update(name="x" * 81)), "“name” has more than 80 letters"),
        (edited(lambda d: d.update(tempo=128)), "has “tempo”, which is not part"),
        (edited(lambda d: d.update(slots=d["slots"][:3])), "“slots” must hold 4 or more"),
        (edited(lambda d: d["slots"][2].pop("colour")), "Slot 3 of the list lacks “colour”"),
        (edited(lambda d: d["slots"][2].update(function="sparkle")), "“function” of slot 3 of the list must be one of"),
        (edited(lambda d: d["slots"][4].update(number="5")), "“number” of slot 5 of the list must be a whole number"),
        (edited(lambda d: d["slots"][4].update(lead_bars=65)), "“lead_bars” of slot 5 of the list must be 64 or less"),
        (edited(lambda d: d["slots"][7].update(loop_bars=None)), "“loop_bars” of slot 8 of the list must be a"),
        (edited(lambda d: d["slots"][0].update(loop_bars=4)), "“loop_bars” of slot 1 of the list must be null"),
        (edited(lambda d: d["slots"][3].update(number=3)), "slot 3 cannot follow slot 3"),
        (edited(lambda d: d["slots"].insert(0, "x")), "Slot 1 of the list must be an object"),
        (edited(lambda d: d["slots"][3].update(required="yes")), "“required” of slot 4 of the list must be true"),
        (edited(lambda d: d["slots"][3].update(name="a\0b")), "“name” of slot 4 of the list holds a sign"),
        (edited(lambda d: d.update(name="\ud800")), "“name” holds a sign that cannot be"),
        (edited(lambda d: d["slots"][2].update(labels="Bells")), "“labels” of slot 3 of the list must be a list"),
        (edited(lambda d: d["slots"][2].update(labels=["a", 4])), "Text 2 in “labels” of slot 3 of the list must be"),
        (edited(lambda d: d["slots"][2].update(labels=["a", ""])), "Text 2 in “labels” of slot 3 of the list must not"),
        (edited(lambda d: d["slots"][2].update(labels=["a", " "])), "Slot 3: an agreed label must not be empty"),
        (edited(lambda d: d["slots"][2].update(labels=["a,b"])), "of the list must be words without a comma"),
        (edited(lambda d: d["slots"][2].update(labels=["x" * 61])), "of slot 3 of the list has more than 60 letters"),
        (edited(lambda d: d["slots"][2].update(labels=[str(n) for n in range(13)])), "slot 3 of the list must hold 12"),
        (edited(lambda d: d["slots"][2].update(labels=["Bells", "bells "])), "Slot 3: the label “bells” stands there"),
        (edited(lambda d: d["slots"][2].update(labels=["a\tb"])), "Text 1 in “labels” of slot 3 of the list holds"),
        (edited(lambda d: d["slots"][0].update(number=1.0)), "Slot 1 of the list needs a number from 1 to 16"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_told_where(content: bytes, words: str) -> None:
    with pytest.raises(Invalid) as refused:
        read_file(content)
    assert words in refused.value.sentence
    assert refused.value.sentence.startswith("The file cannot be used as a convention. ")


def test_a_byte_order_mark_is_no_mistake() -> None:
    assert read_file(b"\xef\xbb\xbf" + edited(lambda d: None)) == convention_document()
