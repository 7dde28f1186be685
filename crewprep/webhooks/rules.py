"""Who looks after webhooks."""

from __future__ import annotations

from crewprep.common.access import Answer
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead


def may_run_webhooks(member: Membership) -> Answer:
    """See, add, remove and renew webhooks: leads, as an address may hold a secret of the receiver."""
    return may_lead(member)
