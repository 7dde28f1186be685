"""The crew's page: who is in it, what each role may do, invitations; a member's page, and leaving."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from crewprep.accounts.departing import leave_crew, remove_member
from crewprep.accounts.permissions import ROLES, permission_table
from crewprep.common.errors import DomainError, Invalid, Refused
from crewprep.crews.invitations import VALID_FOR, invite, withdraw_invitation
from crewprep.crews.models import Membership, Role
from crewprep.crews.rules import may_look_after_members
from crewprep.crews.selectors import invitation_for, leads_alone, members_of, membership_for, pending_invitations
from crewprep.crews.services import change_role, hand_over
from crewprep.web.doors import crew_page
from crewprep.web.people_forms import InviteForm


@crew_page
def crew_members(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Members, roles, invitations; a POST by a lead makes an invitation and shows its link, this once."""
    form = InviteForm(request.POST if request.method == "POST" else None)
    link, status = "", 200
    if request.method == "POST":
        may_look_after_members(member).require()
        if form.is_valid():
            role = Role(form.cleaned_data["role"])
            _, token = invite(member=member, role=role, note=form.cleaned_data["note"])
            link = request.build_absolute_uri(reverse("join", args=[token]))
            form = InviteForm()
        else:
            status = 422
    may = may_look_after_members(member)
    context = {
        "member": member,
        "current": "crew",
        "members": sorted(members_of(member), key=lambda person: ROLES.index(Role(person.role))),
        "roles": [role.label for role in ROLES],
        "table": permission_table(member.crew),
        "may": may,
        "form": form,
        "link": link,
        "days": VALID_FOR.days,
        "invitations": pending_invitations(member) if may else [],
    }
    return render(request, "crews/members.html", context, status=status)


@crew_page
@require_POST
def withdraw_page(request: HttpRequest, member: Membership, invitation_id: UUID) -> HttpResponseBase:
    """Make a link worthless."""
    invitation = invitation_for(member, invitation_id)
    return _done(request, member, lambda: _withdrawn(member, invitation))


@crew_page
def member_page(request: HttpRequest, member: Membership, member_id: UUID) -> HttpResponseBase:
    """One member; for leads with forms to change the role, to hand the lead over, to remove."""
    other = membership_for(member, member_id)
    if request.method == "POST":
        posted = request.POST.dict()
        return _done(request, member, lambda: _change(member, other, posted))
    context = {
        "member": member,
        "current": "crew",
        "other": other,
        "is_me": other.pk == member.pk,
        "may": may_look_after_members(member),
        "roles": Role.choices,
        "stay_as": [(Role.RESIDENT, "a resident"), (Role.LEAD, "a lead as well")],
    }
    return render(request, "crews/member.html", context)


@crew_page
def leave_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """What leaving means; a POST leaves."""
    crew = member.crew
    if request.method == "POST":
        try:
            leave_crew(member=member)
        except DomainError as error:
            messages.error(request, error.sentence)
            return redirect("crew-members", crew.slug)
        messages.success(request, f"You have left {crew.name}.")
        return redirect("home")
    context = {"member": member, "current": "crew", "last_lead": leads_alone(member)}
    return render(request, "crews/leave.html", context)


def _done(request: HttpRequest, member: Membership, act: Any) -> HttpResponseBase:
    """Do it and go back to the crew's page with what came of it."""
    try:
        messages.success(request, act())
    except Refused:
        raise
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("crew-members", member.crew.slug)


def _withdrawn(member: Membership, invitation: Any) -> str:
    withdraw_invitation(member=member, invitation=invitation)
    return "The link does not work any more."


def _change(member: Membership, other: Membership, posted: dict[str, str]) -> str:
    match posted.get("do"):
        case "role":
            role = _role(posted.get("role"))
            change_role(member=member, other=other, role=role, seen_role=posted.get("seen_role", ""))
            return f"{other.user} is a {role.label.lower()} now."
        case "hand-over":
            hand_over(member=member, to=other, stay_as=_role(posted.get("stay_as")))
            return f"{other.user} leads the crew now; you are a {member.get_role_display().lower()}."
        case "remove":
            remove_member(member=member, other=other)
            return f"{other.user} is no longer in the crew."
    raise Invalid("malformed", detail="choose what to do with the member.")


def _role(value: str | None) -> Role:
    if value not in Role.values:
        raise Invalid("malformed", detail="choose one of the three roles.")
    return Role(value)


urlpatterns = [
    path("crew/", crew_members, name="crew-members"),
    path("crew/leave/", leave_page, name="crew-leave"),
    path("crew/members/<uuid:member_id>/", member_page, name="crew-member"),
    path("crew/invitations/<uuid:invitation_id>/withdraw/", withdraw_page, name="invitation-withdraw"),
]
