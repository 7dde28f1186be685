"""Which tracks put a night at risk, worst first, each with the reasons in words.

The order is a judgement, written down so that it can be argued with: first what nobody can begin, then what was tried
and failed, then what is hard, then what stands still, last what is on its way. Tracks with the same worst reason are
ordered by how many reasons they have, then by the minutes that they need.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.utils import timezone
from django.utils.timesince import timesince

from crewprep.readiness.standing import Standing

IDLE_AFTER = dt.timedelta(hours=1)
"""A held track without a change for so long stands still."""
REVIEW_WAITS_AFTER = dt.timedelta(days=1)
UNSURE_BELOW = 0.5
"""A draft whose markers have a lower mean confidence than this is unsure."""

ORDER = (
    "refused", "given-up", "blocker", "returned-again", "returned", "no-draft", "other-proposal", "lapsed", "unsteady",
    "unsure", "idle", "review-waits", "untouched", "rechecked", "analysing", "held", "review",
)  # fmt: skip
"""The codes of the reasons, the worst first."""


@dataclass(frozen=True, slots=True)
class Risk:
    """A reason why a track may not be ready: its code, and one phrase."""

    code: str
    words: str

    @property
    def rank(self) -> int:
        """Its place in ``ORDER``, the worst 0."""
        return ORDER.index(self.code)


def risks_of(one: Standing, now: dt.datetime | None = None) -> tuple[Risk, ...]:
    """The reasons of an open track, the worst first, at least one; none for a track that has its sheet."""
    if not one.open:
        return ()
    return tuple(sorted(_risks(one, now or timezone.now()), key=lambda risk: risk.rank))


def by_risk(standings: list[Standing], now: dt.datetime | None = None) -> list[tuple[Standing, tuple[Risk, ...]]]:
    """The open ones with their reasons, most at risk first."""
    told = [(one, risks_of(one, now)) for one in standings if one.open]
    return sorted(
        told, key=lambda pair: (pair[1][0].rank, -len(pair[1]), -pair[0].minutes, pair[0].place.track.title.lower())
    )


def _risks(one: Standing, now: dt.datetime) -> Iterator[Risk]:
    if one.trouble == "refused":
        yield Risk("refused", "its file cannot be used")
        return
    if one.trouble == "given-up":
        yield Risk("given-up", "the workers gave it up and it waits for a retry")
        return
    if one.blockers:
        first = one.blockers[0]
        yield Risk("blocker", f"a blocker in slot {first.slot}: {first.sentence.rstrip('.')}")
    if one.returns > 1:
        times = "twice" if one.returns == 2 else f"{one.returns} times"
        yield Risk("returned-again", f"returned {times}")
    elif one.state == "returned":
        yield Risk("returned", "returned and not changed yet")
    if one.other_proposal:
        yield Risk("other-proposal", "its pending proposal follows another convention")
    if one.trouble == "no-draft":
        yield Risk("no-draft", "no draft to start from")
    if one.state in ("nothing", "draft", "held", "returned") and not one.steady:
        yield Risk("unsteady", "the grid is not steady")
    if one.state in ("draft", "held") and one.confidence is not None and one.confidence < UNSURE_BELOW:
        yield Risk("unsure", "the draft is unsure")
    yield from _waiting(one, now)
    if one.rechecked:
        yield Risk("rechecked", "approved by another version of the convention only")


def _waiting(one: Standing, now: dt.datetime) -> Iterator[Risk]:
    """Who has it, or that nobody has."""
    idle = now - one.touched_at if one.touched_at else dt.timedelta()
    if one.state == "analysing":
        yield Risk("analysing", "the workers are at it")
    elif one.state == "review":
        assert one.proposal is not None
        waits = now - one.proposal.changed_at
        if waits >= REVIEW_WAITS_AFTER:
            yield Risk("review-waits", f"waits for a review for {_span(waits)}")
        else:
            yield Risk("review", "waits for a review")
    elif one.holder is None:
        if one.state != "returned":
            yield Risk("untouched", f"{one.assigned} has not begun" if one.assigned else "nobody has begun")
    elif one.lapsed:
        yield Risk("lapsed", f"begun by {one.holder}, left for {_span(idle)}")
    elif idle >= IDLE_AFTER:
        yield Risk("idle", f"held by {one.holder}, no change for {_span(idle)}")
    else:
        yield Risk("held", f"{one.holder} is at it")


def _span(time: dt.timedelta) -> str:
    now = timezone.now()
    return timesince(now - time, now, depth=1).replace("\xa0", " ")
