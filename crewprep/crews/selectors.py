"""The first door: from a signed-in user and a crew's name in the path to a member."""

from __future__ import annotations

from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership, User


def member_for(user: User | AnonymousUser, crew_slug: str) -> Membership:
    """The user's membership of the crew; raises ``NotFound`` for strangers as for crews that do not exist."""
    if user.is_authenticated:
        member = Membership.objects.select_related("crew", "user").filter(user=user, crew__slug=crew_slug).first()
        if member is not None and member.user.is_active:
            return member
    raise NotFound


def memberships_of(user: User) -> QuerySet[Membership]:
    """Every crew that the user belongs to."""
    return Membership.objects.filter(user=user).select_related("crew").order_by("crew__name")


def members_of(member: Membership) -> QuerySet[Membership]:
    """Everyone in the member's crew, leads first."""
    return Membership.objects.filter(crew=member.crew).select_related("user").order_by("role", "user__username")
