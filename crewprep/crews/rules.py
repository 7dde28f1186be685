"""Who may do what in a crew. Looking needs membership alone, and that is settled by ``selectors.member_for``."""

from __future__ import annotations

from crewprep.common.access import Allowed, Answer, Denied
from crewprep.crews.models import Membership, Role


def may_lead(member: Membership) -> Answer:
    """Publish conventions, set house checks, look after members."""
    return Allowed() if member.role == Role.LEAD else Denied("crew:lead-only")


def may_prepare(member: Membership) -> Answer:
    """Open drafts, change markers, propose. Newcomers learn by doing it."""
    return Allowed()


def may_fill_crates(member: Membership) -> Answer:
    """Make crates, bring tracks into them, plan nights."""
    return Allowed() if member.role in {Role.LEAD, Role.RESIDENT} else Denied("crew:resident-only")


def may_review_at_all(member: Membership) -> Answer:
    """Give verdicts on other members' proposals."""
    return Allowed() if member.role in {Role.LEAD, Role.RESIDENT} else Denied("crew:resident-only")


def may_look_after_members(member: Membership) -> Answer:
    """Invite, change roles, hand the lead over."""
    return may_lead(member)


def may_end(member: Membership, other: Membership) -> Answer:
    """End a membership: one's own, or as a lead anybody's."""
    return Allowed() if member.pk == other.pk else may_look_after_members(member)
