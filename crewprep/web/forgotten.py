"""A forgotten password: asking for a link, and the page that the link opens. Nobody is signed in here."""

from __future__ import annotations

from axes.utils import reset
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from crewprep.common.errors import DomainError
from crewprep.common.policy import Policy, declare
from crewprep.notices.forgotten import ask_for_password, password_mail, set_password
from crewprep.web.people_forms import ForgottenForm, NewPasswordForm

ASKED = (
    "If there is such an account and its address is confirmed, a mail with a link is on its way there. It works for an "
    "hour. Nothing came? Look among the unwanted mails too, or ask whoever runs this service."
)


@declare(Policy.PUBLIC)
@require_http_methods(["GET", "HEAD", "POST"])
def forgotten_page(request: HttpRequest) -> HttpResponse:
    """Ask for a link by name or address. The answer is the same whether there is such an account or not."""
    form = ForgottenForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        ask_for_password(said=form.cleaned_data["said"])
        messages.success(request, ASKED)
        return redirect("sign-in")
    return render(request, "registration/forgotten.html", {"form": form}, status=422 if form.errors else 200)


@declare(Policy.PUBLIC)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
def new_password_page(request: HttpRequest, password_token: str) -> HttpResponse:
    """What the link in the mail opens: twice the new password; a POST sets it."""
    try:
        person = password_mail(password_token).recipient
        form = NewPasswordForm(person, request.POST if request.method == "POST" else None)
        if request.method == "POST" and form.is_valid():
            person = set_password(token=password_token, password=form.cleaned_data["new_password1"])
            reset(username=person.username)  # wrong guesses of the forgotten one count no more
            messages.success(request, "Your password is set. Sign in with it.")
            return redirect("sign-in")
    except DomainError as error:
        return render(request, "registration/no_link.html", {"sentence": error.sentence}, status=error.status)
    context = {"form": form, "username": person.username}
    return render(request, "registration/new_password.html", context, status=422 if form.errors else 200)


urlpatterns = [
    path("forgotten/", forgotten_page, name="forgotten"),
    path("password/<str:password_token>/", new_password_page, name="new-password"),
]
