"""Users, crews, members."""

from __future__ import annotations

import itertools

from crewprep.crews.models import Crew, Membership, Role, User
from crewprep.crews.services import add_member, found_crew

_count = itertools.count(1)

PASSWORD = "a long enough phrase"


def user(name: str = "") -> User:
    """A user who can sign in with ``PASSWORD``."""
    name = name or f"person{next(_count)}"
    return User.objects.create_user(username=name, password=PASSWORD, display_name=name.title())


def crew_with(lead: User | None = None, *, slug: str = "") -> Membership:
    """A new crew; returns its lead's membership."""
    number = next(_count)
    return found_crew(name=f"Crew {number}", slug=slug or f"crew-{number}", lead=lead or user())


def member_of(crew: Crew, role: Role | str = Role.RESIDENT, *, person: User | None = None) -> Membership:
    """One more member of a crew."""
    return add_member(crew=crew, user=person or user(), role=Role(role), by=None)
