"""Who may practise, whose practice one may look at, and who may say that it is enough."""

from __future__ import annotations

from crewprep.common.access import Allowed, Answer, Denied
from crewprep.crews.models import Membership, Role
from crewprep.crews.rules import may_lead
from crewprep.onboarding.models import Drill


def may_practise(member: Membership) -> Answer:
    """Drill on the crew's approved sheets: everyone, as residents get rusty too."""
    return Allowed()


def may_look_at_drill(member: Membership, drill: Drill) -> Answer:
    """See a drill and how it went: whoever it is of, and the leads, who sign off."""
    if drill.membership_id == member.pk or member.role == Role.LEAD:
        return Allowed()
    return Denied("drill:not-yours")


def may_work_on_drill(member: Membership, drill: Drill) -> Answer:
    """Set its markers, hand it in or drop it: whoever it is of."""
    return Allowed() if drill.membership_id == member.pk else Denied("drill:not-yours")


def may_see_progress(member: Membership, other: Membership) -> Answer:
    """Look at how a member does in drills: oneself, and the leads, who sign off."""
    return Allowed() if member.user_id == other.user_id or may_lead(member) else Denied("progress:lead-only")


def may_sign_off(member: Membership, other: Membership) -> Answer:
    """Give the word on a newcomer: the leads, and nobody on themself."""
    if member.user_id == other.user_id:
        return Denied("sign-off:oneself")
    return may_lead(member)
