"""The first door: from a signed-in user and a crew's name in the path to a member."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from django.contrib.auth.models import AnonymousUser
from django.db.models import QuerySet
from django.utils import timezone

from crewprep.common.errors import NotFound
from crewprep.crews.models import Invitation, Membership, Role, User


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


def membership_for(member: Membership, membership_id: UUID) -> Membership:
    """The only way for a request to reach another's membership; raises ``NotFound`` as for none."""
    found = members_of(member).filter(pk=membership_id).first()
    if found is None:
        raise NotFound
    return found


def pending_invitations(member: Membership) -> QuerySet[Invitation]:
    """The crew's invitations that can still be used, newest first."""
    return usable_invitations().filter(crew=member.crew).select_related("made_by")


def usable_invitations() -> QuerySet[Invitation]:
    """Every crew's invitations that are neither used nor withdrawn nor expired."""
    return Invitation.objects.filter(used_at=None, withdrawn_at=None, expires_at__gt=timezone.now())


def invitation_for(member: Membership, invitation_id: UUID) -> Invitation:
    """The only way for a member to reach an invitation; raises ``NotFound`` as for none."""
    found = Invitation.objects.filter(crew=member.crew, pk=invitation_id).select_related("made_by").first()
    if found is None:
        raise NotFound
    return found


def names_of(user_ids: Iterable[int]) -> dict[int, str]:
    """How people are called now, by the ids that the record keeps of them."""
    return {user.pk: str(user) for user in User.objects.filter(pk__in=set(user_ids))}


def leads_alone(member: Membership) -> bool:
    """Whether the crew has other members and no lead but this one, who must hand over before leaving."""
    others = Membership.objects.filter(crew=member.crew).exclude(pk=member.pk)
    return member.role == Role.LEAD and others.exists() and not others.filter(role=Role.LEAD).exists()
