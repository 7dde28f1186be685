"""The table of moves: from which states a proposal may be moved, and to which. Nothing else changes a state.

Beside it the table of what may be said in which state, which changes none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from crewprep.common.errors import Conflict
from crewprep.review.models import Proposal, ProposalState

OPEN, RETURNED = ProposalState.OPEN, ProposalState.RETURNED
APPROVED, WITHDRAWN = ProposalState.APPROVED, ProposalState.WITHDRAWN
PENDING = (OPEN, RETURNED)
"""What stands in the way of another proposal for the track."""


@dataclass(frozen=True, slots=True)
class Move:
    """One way for a proposal to change; ``done`` is the word a refusal uses, ``who`` and ``when`` are for people."""

    sources: tuple[ProposalState, ...]
    target: ProposalState
    done: str
    who: str
    when: str


MOVES: dict[str, Move] = {
    "amend": Move(
        (OPEN, RETURNED), OPEN, "changed", "any member, who becomes an author",
        "at any time; a first approval becomes void",
    ),
    "merge": Move(
        (OPEN, RETURNED), OPEN, "merged", "any member, who becomes an author",
        "a newer sheet was approved since; a first approval becomes void",
    ),
    "approve first": Move(
        (OPEN,), OPEN, "approved", "a lead or resident who is no author", "two must approve and nobody has yet"
    ),
    "approve": Move(
        (OPEN,), APPROVED, "approved", "a lead or resident who is no author",
        "on the track's latest sheet; where two must approve, another one did so first",
    ),
    "return": Move(
        (OPEN,), RETURNED, "returned", "a lead or resident who is no author", "with a remark or a note"
    ),
    "withdraw": Move((OPEN, RETURNED), WITHDRAWN, "withdrawn", "its authors and the leads", "at any time"),
    "reopen": Move((WITHDRAWN,), OPEN, "opened again", "its authors", "no other proposal for the track is pending"),
}  # fmt: skip
"""An approved proposal never moves again: its sheet is put forward anew, as a proposal of its own."""


@dataclass(frozen=True, slots=True)
class Saying:
    """What may be said about a proposal in which states; ``done``, ``who`` and ``when`` as of a move."""

    states: tuple[ProposalState, ...]
    done: str
    who: str
    when: str


SAYINGS: dict[str, Saying] = {
    "remark": Saying(
        PENDING, "remarked on", "any member", "on a slot of the revision that was seen; a return may bring remarks too"
    ),
    "reply": Saying(tuple(ProposalState), "replied to", "any member", "at any time, settled or not"),
    "settle": Saying(
        tuple(ProposalState), "settled", "whoever wrote the remark, the proposal's authors and the leads",
        "at any time, and taken back likewise; an open remark stands in the way of bulk approval alone",
    ),
}  # fmt: skip
"""Talk moves nothing: the state, the revision and a first approval stay as they are."""


def require_sayable(proposal: Proposal, name: str, *, seen_revision: int) -> None:
    """Raise ``Conflict`` where this may not be said of the proposal any more, or it has another revision than was seen.

    The row stays locked to the end of the transaction, so that no move passes by what is said.
    """
    now = Proposal.objects.select_for_update(no_key=True).get(pk=proposal.pk)
    if now.state not in SAYINGS[name].states:
        raise Conflict("proposal:wrong-state", state=now.get_state_display().lower(), move=SAYINGS[name].done)
    if now.revision != seen_revision:
        raise Conflict("proposal:moved-on")


def move(
    proposal: Proposal,
    name: str,
    *,
    seen_revision: int,
    still: Mapping[str, object] | None = None,
    **stamps: object,
) -> None:
    """Make a move by compare-and-set: the row must still have the state and the revision that the member saw, and
    whatever else it must ``still`` be.

    Of two rival moves exactly one matches the row; the other raises ``Conflict``. Must run inside the transaction
    that writes what the move leads to.
    """
    step = MOVES[name]
    if proposal.state not in step.sources:
        raise Conflict("proposal:wrong-state", state=proposal.get_state_display().lower(), move=step.done)
    rows = Proposal.objects.filter(pk=proposal.pk, state__in=step.sources, revision=seen_revision, **(still or {}))
    if rows.update(state=step.target, **stamps) == 0:
        raise Conflict("proposal:moved-on")
    proposal.refresh_from_db()
