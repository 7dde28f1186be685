"""Opening an invitation: whoever has signed in joins by a button, a stranger makes an account and is in."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import path
from django.views.decorators.debug import sensitive_post_parameters

from crewprep.common.errors import Conflict, NotFound
from crewprep.common.policy import Policy, declare
from crewprep.crews.invitations import invitation_of, join, join_with_account
from crewprep.crews.models import Invitation, Membership, User
from crewprep.crews.selectors import memberships_of
from crewprep.web.people_forms import JoinForm

PASSWORD_BACKEND = "django.contrib.auth.backends.ModelBackend"  # noqa: S105  a class


@declare(Policy.PUBLIC)
@sensitive_post_parameters("password", "password_again")
def join_page(request: HttpRequest, invitation_token: str) -> HttpResponseBase:
    """Whose crew it is and how to join it; the token is looked at before anything that was sent."""
    try:
        invitation = invitation_of(invitation_token)
        if request.method == "POST":
            return _joined(request, invitation, invitation_token)
    except NotFound as error:
        # Drawn without the request: the same to the byte for a used, withdrawn, expired or invented link.
        return HttpResponse(render_to_string("crews/no_invitation.html", {"sentence": error.sentence}), status=404)
    return _page(request, invitation, JoinForm())


def _joined(request: HttpRequest, invitation: Invitation, token: str) -> HttpResponseBase:
    if isinstance(request.user, User):
        try:
            member = join(token=token, user=request.user)
        except Conflict:  # a member already; the page says so, and the link stays unused
            return _page(request, invitation, JoinForm(), status=409)
        return _welcome(request, member)
    form = JoinForm(request.POST)
    if not form.is_valid():
        return _page(request, invitation, form, status=422)
    given = {name: form.cleaned_data[name] for name in ("username", "display_name", "password")}
    try:
        member = join_with_account(token=token, **given)
    except Conflict as error:
        form.add_error("username", error.sentence)
        return _page(request, invitation, form, status=409)
    login(request, member.user, backend=PASSWORD_BACKEND)
    return _welcome(request, member)


def _welcome(request: HttpRequest, member: Membership) -> HttpResponseBase:
    messages.success(request, f"Welcome: you are a {member.get_role_display().lower()} of {member.crew.name} now.")
    return redirect("start", member.crew.slug)


def _page(request: HttpRequest, invitation: Invitation, form: JoinForm, status: int = 200) -> HttpResponse:
    mine = [] if not isinstance(request.user, User) else [one.crew_id for one in memberships_of(request.user)]
    context = {"invitation": invitation, "form": form, "already": invitation.crew_id in mine, "here": request.path}
    return render(request, "crews/join.html", context, status=status)


urlpatterns = [
    path("join/<str:invitation_token>/", join_page, name="join"),
]
