"""A proposal and a newer sheet side by side, as the page shows them before they are merged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.models import Slot
from crewprep.review.models import Proposal
from crewprep.review.selectors import StaleBase
from crewprep.web.review_lines import Place, place_in

WORDS = {
    "theirs": "taken from the newer sheet",
    "yours": "kept from this proposal",
    "both": "both changed it alike",
    "conflict": "both changed it: choose",
}


@dataclass(frozen=True, slots=True)
class MergeLine:
    """A slot that one side or both changed; ``choice`` is what was chosen before a refusal."""

    slot: Slot
    kind: str
    words: str
    base: Place | None
    theirs: Place | None
    yours: Place | None
    choice: str


def merge_lines(proposal: Proposal, merge: StaleBase, choices: Mapping[int, str]) -> list[MergeLine]:
    """Every slot that is not the same on all sides, in order."""
    grid = MusicalTime.of(proposal.analysis.result)
    slots = {slot.number: slot for slot in merge.version.slots.all()}
    return [
        MergeLine(
            slot=slots[one.slot], kind=one.kind, words=WORDS[one.kind], base=place_in(grid, one.base),
            theirs=place_in(grid, one.theirs), yours=place_in(grid, one.yours), choice=choices.get(one.slot, ""),
        )
        for one in merge.slots
        if one.kind != "same" and one.slot in slots
    ]  # fmt: skip
