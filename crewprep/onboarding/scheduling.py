"""When a slot is due again: FSRS 6 (https://github.com/open-spaced-repetition/py-fsrs), with its published weights.

One card a member and function of a slot. The scheduler knows four ratings of how well something was remembered; a mark
made by ear is read as:

====== =================================================================================================================
Good   exact
Hard   within a beat; or a loop that starts exactly but is more than a beat longer or shorter than the sheet's
Again  any other miss, a missing marker, and one where the sheet has none
====== =================================================================================================================

Easy is never given: how much effort it took cannot be seen. Fuzzing is off, so that the same answers give the same
days. Nothing but this module knows the library.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, cast

from fsrs import Card, Rating, Scheduler
from fsrs.card import CardDict

from crewprep.onboarding.scoring import BEAT, SlotScore

_SCHEDULER = Scheduler(enable_fuzzing=False)


@dataclass(frozen=True, slots=True)
class Scheduled:
    """A card in the scheduler's own form (``Card.to_dict``), and when it is due."""

    card: dict[str, Any]
    due_at: dt.datetime


def rating_of(score: SlotScore) -> Rating:
    """How well a slot was remembered, by the table above."""
    if score.miss == "exact":
        length = score.length_off_beats
        return Rating.Good if length is None or abs(length) <= BEAT else Rating.Hard
    return Rating.Hard if score.miss == "beat" else Rating.Again


def scheduled(card: dict[str, Any] | None, score: SlotScore, *, at: dt.datetime) -> Scheduled:
    """The card after one more mark of its slot, made at an aware instant; None for the first."""
    at = at.astimezone(dt.UTC)
    # The row tells cards apart, so that the library need not number them by the clock.
    before = Card.from_dict(cast(CardDict, card)) if card else Card(card_id=0, due=at)
    after, _ = _SCHEDULER.review_card(before, rating_of(score), at)
    return Scheduled(cast(dict[str, Any], after.to_dict()), after.due)
