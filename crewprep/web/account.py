"""Signing in and out, and one's own account: names, address, password, sessions, tokens, one's data, closing."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth import authenticate, logout, update_session_auth_hash
from django.contrib.auth.views import LoginView, LogoutView, PasswordChangeView
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST, require_safe

from crewprep.accounts.closing import close_account
from crewprep.accounts.export import export_of
from crewprep.accounts.profile import change_profile, end_sessions
from crewprep.common.errors import DomainError
from crewprep.common.messages import sentence_for
from crewprep.common.policy import Policy, declare
from crewprep.crews.models import User
from crewprep.crews.selectors import leads_alone, memberships_of
from crewprep.crews.tokens import make_token, token_for, tokens_of, withdraw_token
from crewprep.web.addresses import LINK_SENT, address_context
from crewprep.web.doors import refusal, signed_in_page
from crewprep.web.forms import SignInForm
from crewprep.web.people_forms import ChangePasswordForm, CloseForm, ProfileForm, TokenForm

sign_in = declare(Policy.PUBLIC)(LoginView.as_view(authentication_form=SignInForm, redirect_authenticated_user=True))
sign_out = declare(Policy.PUBLIC)(LogoutView.as_view())


class ChangePassword(PasswordChangeView):
    """Django's own: the old password, twice the new one; other sessions end."""

    form_class = ChangePasswordForm
    template_name = "account/password.html"
    success_url = reverse_lazy("account")

    def form_valid(self, form: Any) -> HttpResponse:
        """Say so."""
        messages.success(self.request, "Your password is changed. In other browsers you are signed out.")
        return super().form_valid(form)


@signed_in_page
def account_page(request: HttpRequest) -> HttpResponseBase:
    """Who one is here; a POST changes name and address."""
    user = _user(request)
    form = ProfileForm(
        request.POST if request.method == "POST" else None,
        initial={"display_name": user.display_name, "email": user.email},
    )
    if request.method == "POST" and form.is_valid():
        mailed = change_profile(
            user=user, display_name=form.cleaned_data["display_name"], email=form.cleaned_data["email"]
        )
        messages.success(request, f"Your account is changed.{f' {LINK_SENT}' if mailed else ''}")
        return redirect("account")
    context = {
        "form": form, "memberships": memberships_of(user), "tokens": len(tokens_of(user)), **address_context(user),
    }  # fmt: skip
    return render(request, "account/account.html", context, status=422 if form.errors else 200)


@signed_in_page
@require_POST
def sessions_page(request: HttpRequest) -> HttpResponseBase:
    """End every session but this one."""
    user = _user(request)
    end_sessions(user)
    update_session_auth_hash(request, user)
    messages.success(request, "In every other browser you are signed out.")
    return redirect("account")


@signed_in_page
def tokens_page(request: HttpRequest) -> HttpResponseBase:
    """One's tokens; a POST makes one and shows its text, this once."""
    user = _user(request)
    crews = [(one.crew.slug, one.crew.name) for one in memberships_of(user)]
    form = TokenForm(request.POST if request.method == "POST" else None, crews=crews)
    text, refused, status = "", "", 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            asked = form.cleaned_data
            try:
                _, text = make_token(
                    user=user, name=asked["name"], crew_slug=asked["crew"], read_only=asked["access"] == "read",
                    days=asked["days"],
                )  # fmt: skip
            except DomainError as error:
                refused, status = error.sentence, error.status
            else:
                form, status = TokenForm(crews=crews), 200
    context = {"form": form, "text": text, "refused": refused, "tokens": tokens_of(user)}
    return render(request, "account/tokens.html", context, status=status)


@signed_in_page
@require_POST
def withdraw_token_page(request: HttpRequest, token_id: UUID) -> HttpResponseBase:
    """Make a token worthless."""
    user = _user(request)
    try:
        withdraw_token(user=user, token=token_for(user, token_id))
    except DomainError as error:
        return refusal(request, error)
    messages.success(request, "The token does not work any more.")
    return redirect("account-tokens")


@signed_in_page
@require_safe
def export_page(request: HttpRequest) -> HttpResponse:
    """Everything that is tied to one, as a file."""
    return JsonResponse(
        export_of(_user(request)),
        json_dumps_params={"indent": 1, "ensure_ascii": False},
        headers={"Content-Disposition": 'attachment; filename="crewprep-account.json"'},
    )


@signed_in_page
@sensitive_post_parameters("password")
def close_page(request: HttpRequest) -> HttpResponseBase:
    """What closing means; a POST with the password closes. Guesses are counted like those at the sign-in."""
    user = _user(request)
    form = CloseForm(request.POST if request.method == "POST" else None)
    stuck = [one.crew for one in memberships_of(user) if leads_alone(one)]
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            if authenticate(request, username=user.username, password=form.cleaned_data["password"]) != user:
                form.add_error("password", sentence_for("account:password-wrong"))
            else:
                try:
                    close_account(user=user)
                except DomainError as error:
                    form.add_error(None, error.sentence)
                    status = error.status
                else:
                    logout(request)
                    messages.success(request, "Your account is closed. Thank you for the music.")
                    return redirect("sign-in")
    return render(request, "account/close.html", {"form": form, "stuck": stuck}, status=status)


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # the door lets nobody else in
    return request.user


urlpatterns = [
    path("sign-in/", sign_in, name="sign-in"),
    path("sign-out/", sign_out, name="sign-out"),
    path("account/", account_page, name="account"),
    path("account/password/", signed_in_page(ChangePassword.as_view()), name="account-password"),
    path("account/sessions/", sessions_page, name="account-sessions"),
    path("account/tokens/", tokens_page, name="account-tokens"),
    path("account/tokens/<uuid:token_id>/withdraw/", withdraw_token_page, name="account-token-withdraw"),
    path("account/export/", export_page, name="account-export"),
    path("account/close/", close_page, name="account-close"),
]
