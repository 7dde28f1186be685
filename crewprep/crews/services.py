"""Making crews, adding members, roles, and what keeps a crew led.

The record names people by id, never by name: a name may change or be erased, and the record is never altered.
"""

from __future__ import annotations

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Crew, Membership, Role, User
from crewprep.crews.rules import may_look_after_members
from crewprep.crews.selectors import usable_invitations


@transaction.atomic
def found_crew(*, name: str, slug: str, lead: User) -> Membership:
    """Make a crew with its first lead."""
    crew = Crew.objects.create(name=name, slug=slug)
    member = Membership.objects.create(crew=crew, user=lead, role=Role.LEAD)
    record(actor=lead, verb="crew founded", subject=member, name=name)
    return member


@transaction.atomic
def add_member(*, crew: Crew, user: User, role: Role, by: User | None, verb: str = "member added") -> Membership:
    """Add a user to a crew; raises ``Conflict`` where they are in it already."""
    try:
        with transaction.atomic():
            member = Membership.objects.create(crew=crew, user=user, role=role)
    except IntegrityError as error:
        raise Conflict("member:already") from error
    record(actor=by, verb=verb, subject=member, role=str(role), person=user.pk)
    return member


def change_role(*, member: Membership, other: Membership, role: Role, seen_role: Role | str) -> Membership:
    """Give a member another role (leads); ``seen_role`` is the one that the lead saw.

    Raises ``Refused``, ``Conflict`` where the role has changed since or the crew would be left without a lead.
    """
    may_look_after_members(member).require()
    with transaction.atomic():
        lock_members(member.crew)
        _set_role(other, role, seen_role=seen_role)
        keep_a_lead(member.crew)
        if role != Role.LEAD:
            drop_invitations_of(other)
        record(
            actor=member.user, verb="role changed", subject=other, before=str(seen_role), role=str(role),
            person=other.user_id,
        )  # fmt: skip
    other.refresh_from_db()
    return other


def hand_over(*, member: Membership, to: Membership, stay_as: Role = Role.RESIDENT) -> Membership:
    """Make another member lead and take the role ``stay_as`` oneself, both or neither.

    Raises ``Refused``, ``Invalid`` for oneself, ``Conflict`` where one of the two has another role or left meanwhile.
    """
    may_look_after_members(member).require()
    if to.pk == member.pk:
        raise Invalid("crew:hand-over-to-oneself")
    with transaction.atomic():
        lock_members(member.crew)
        _set_role(to, Role.LEAD, seen_role=to.role)
        _set_role(member, stay_as, seen_role=Role.LEAD)
        if stay_as != Role.LEAD:
            drop_invitations_of(member)
        record(actor=member.user, verb="lead handed over", subject=to, role=str(stay_as), person=to.user_id)
    to.refresh_from_db()
    member.refresh_from_db()
    return to


def lock_members(crew: Crew) -> None:
    """One at a time may change who leads a crew: of two leads who leave in the same moment the second sees the first
    gone. No single statement can say so, and SQLite's immediate transactions stand in a queue anyway.
    """
    Crew.objects.select_for_update().get(pk=crew.pk)


def keep_a_lead(crew: Crew) -> None:
    """Raises ``Conflict`` where a crew with members would be left without a lead; call it under ``lock_members``."""
    members = Membership.objects.filter(crew=crew)
    if members.exists() and not members.filter(role=Role.LEAD).exists():
        raise Conflict("crew:last-lead", crew=crew.name)


def drop_invitations_of(member: Membership) -> int:
    """Make the open invitations of somebody who leads no longer worthless; how many. Inside a transaction."""
    return usable_invitations().filter(crew=member.crew, made_by=member.user).update(withdrawn_at=timezone.now())


def _set_role(membership: Membership, role: Role, *, seen_role: Role | str) -> None:
    if not Membership.objects.filter(pk=membership.pk, role=seen_role).update(role=role):
        raise Conflict("member:moved-on")
