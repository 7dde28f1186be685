"""Making crews and adding members."""

from __future__ import annotations

from django.db import transaction

from crewprep.activity.services import record
from crewprep.crews.models import Crew, Membership, Role, User


@transaction.atomic
def found_crew(*, name: str, slug: str, lead: User) -> Membership:
    """Make a crew with its first lead."""
    crew = Crew.objects.create(name=name, slug=slug)
    member = Membership.objects.create(crew=crew, user=lead, role=Role.LEAD)
    record(actor=lead, verb="crew founded", subject=member, name=name)
    return member


@transaction.atomic
def add_member(*, crew: Crew, user: User, role: Role, by: User | None) -> Membership:
    """Add a user to a crew."""
    member = Membership.objects.create(crew=crew, user=user, role=role)
    record(actor=by, verb="member added", subject=member, role=str(role), user=user.username)
    return member
