"""How a crew reviews: whether two must approve, and from which confidence drafts may be approved in bulk."""

from __future__ import annotations

import math

from django.db import transaction

from crewprep.activity.services import record
from crewprep.common.errors import Invalid
from crewprep.crews.models import Crew, Membership
from crewprep.crews.rules import may_lead
from crewprep.review.models import ReviewOptions


def options_of(crew: Crew) -> ReviewOptions:
    """The crew's options; one reviewer and no bulk approval where nothing was set."""
    return ReviewOptions.objects.filter(crew=crew).first() or ReviewOptions(crew=crew)


def set_options(*, member: Membership, two_reviewers: bool, bulk_confidence: float | None) -> ReviewOptions:
    """Say how the crew reviews from now on (leads); ``bulk_confidence`` is 0 to 1, None switches bulk approval off.

    Raises ``Refused`` for anyone but a lead, ``Invalid`` for a confidence that is none.
    """
    may_lead(member).require()
    if bulk_confidence is not None and not (math.isfinite(bulk_confidence) and 0 <= bulk_confidence <= 1):
        raise Invalid("review:confidence")
    values = {"two_reviewers": two_reviewers, "bulk_confidence": bulk_confidence}
    with transaction.atomic():
        before = options_of(member.crew)
        if {name: getattr(before, name) for name in values} == values:
            return before
        row, _ = ReviewOptions.objects.update_or_create(crew=member.crew, defaults=values)
        record(actor=member.user, verb="review options set", subject=row, **values)
    return row
