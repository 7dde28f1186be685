"""The table of moves: from which states a proposal may be moved, and to which. Nothing else changes a state."""

from __future__ import annotations

from dataclasses import dataclass

from crewprep.common.errors import Conflict
from crewprep.review.models import Proposal, ProposalState

OPEN, RETURNED = ProposalState.OPEN, ProposalState.RETURNED
APPROVED, WITHDRAWN = ProposalState.APPROVED, ProposalState.WITHDRAWN


@dataclass(frozen=True, slots=True)
class Move:
    """One way for a proposal to change its state; ``done`` is the word a refusal uses."""

    sources: tuple[ProposalState, ...]
    target: ProposalState
    done: str


MOVES: dict[str, Move] = {
    "amend": Move((OPEN, RETURNED), OPEN, "changed"),
    "approve": Move((OPEN,), APPROVED, "approved"),
    "return": Move((OPEN,), RETURNED, "returned"),
    "withdraw": Move((OPEN, RETURNED), WITHDRAWN, "withdrawn"),
}


def move(proposal: Proposal, name: str, *, seen_revision: int, **stamps: object) -> None:
    """Make a move by compare-and-set: the row must still have the state and the revision that the member saw.

    Of two rival moves exactly one matches the row; the other raises ``Conflict``. Must run inside the transaction
    that writes what the move leads to.
    """
    step = MOVES[name]
    if proposal.state not in step.sources:
        raise Conflict("proposal:wrong-state", state=proposal.get_state_display().lower(), move=step.done)
    moved = Proposal.objects.filter(pk=proposal.pk, state__in=step.sources, revision=seen_revision).update(
        state=step.target, **stamps
    )
    if moved == 0:
        raise Conflict("proposal:moved-on")
    proposal.refresh_from_db()
