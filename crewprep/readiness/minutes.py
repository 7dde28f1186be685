"""How many minutes of people's work a track still needs."""

from __future__ import annotations

from crewprep.preparation.estimate import Estimate

RECHECK_MINUTES = 3.0
NEW_FILE_MINUTES = 5.0


def minutes_left(state: str, estimate: Estimate, *, rechecked: bool = False, trouble: str = "") -> float:
    """Minutes until a track is approved, review included; 0 once it is.

    ``state`` is one of ``standing.STATES``; ``estimate`` is the one by which crates are divided, with what the crew's
    own times made of it. Where somebody is at a track already, or its proposal was returned, half of the preparation is
    left: an assumption. A sheet by another version (``rechecked``) is looked through in three minutes; a file that was
    refused or given up (``trouble``) costs five more for another one.
    """
    if state == "approved":
        return 0.0
    if state == "review":
        return float(estimate.review)
    if rechecked:
        return RECHECK_MINUTES + estimate.review
    share = 0.5 if state in ("held", "returned") else 1.0
    another = NEW_FILE_MINUTES if trouble in ("refused", "given-up") else 0.0
    return estimate.prepare * share + estimate.review + another
