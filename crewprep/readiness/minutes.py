"""How many minutes of people's work a track still needs."""

from __future__ import annotations

REVIEW_MINUTES = 4.0
RECHECK_MINUTES = 3.0
NEW_FILE_MINUTES = 5.0


def minutes_left(
    state: str, *, duration_s: float = 0.0, confidence: float = 0.0, steady: bool = True, rechecked: bool = False
) -> float:
    """Minutes until a track is approved, review included; 0 once it is. An assumption to plan by, not a measurement.

    ``state`` is one of ``standing.STATES``. A sheet is prepared in the time that the track lasts (``duration_s``; five
    minutes where that is not known), half as long where the draft is sure (``confidence`` from 0 to 1), half as long
    again where the grid is not steady, and half of that where somebody is at it already or the proposal was returned.
    A review takes four minutes; a track that has a sheet by another version (``rechecked``) three more.
    """
    if state == "approved":
        return 0.0
    if state == "review":
        return REVIEW_MINUTES
    if rechecked:
        return RECHECK_MINUTES + REVIEW_MINUTES
    prepare = (duration_s / 60 if duration_s else 5.0) * (1.0 - 0.5 * min(max(confidence, 0.0), 1.0))
    if not steady:
        prepare *= 1.5
    if state in ("held", "returned"):
        prepare *= 0.5
    if state == "nothing":
        prepare += NEW_FILE_MINUTES
    return prepare + REVIEW_MINUTES
