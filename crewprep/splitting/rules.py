"""Who may split a crate."""

from __future__ import annotations

from crewprep.common.access import Answer
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead


def may_split(member: Membership) -> Answer:
    """Say who is to do what: leads. Everyone may look."""
    return may_lead(member)
