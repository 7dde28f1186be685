"""The mail address of an account: whether it is confirmed, the link once more, and the page that the link opens."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import path
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError
from crewprep.common.policy import Policy, declare
from crewprep.crews.models import User
from crewprep.notices.addresses import ask_again, confirm_address, leave_earlier, mail_by_token, standing_of
from crewprep.notices.limits import wait_words
from crewprep.web.doors import signed_in_page
from crewprep.web.words import ago

LINK_SENT = "A mail with a link is on its way: open the link and press the button, then the address is confirmed."


def address_context(user: User) -> dict[str, Any]:
    """What the account's page says of an address that is not confirmed; empty where there is nothing to say."""
    if user.email == "" or user.address_confirmed:
        return {}
    standing = standing_of(user)
    return {
        "unconfirmed": user.email,
        "earlier_address": user.confirmed_email,
        "asked": ago(standing.asked_at) if standing.asked_at else "",
        "refused": standing.refused,
        "wait": wait_words(standing.wait) if standing.wait else "",
    }


@signed_in_page
@require_POST
def address_page(request: HttpRequest) -> HttpResponseBase:
    """Mail the link once more, or nothing more to the earlier address; then back to the account."""
    assert isinstance(request.user, User)  # the door lets nobody else in
    try:
        if request.POST.get("do") == "leave":
            leave_earlier(user=request.user)
            messages.success(request, "Nothing more is mailed to the earlier address.")
        else:
            ask_again(user=request.user)
            messages.success(request, LINK_SENT)
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("account")


@declare(Policy.PUBLIC)
@csrf_exempt  # no cookie is asked: whoever holds the link may press, and nobody else can make one
def confirm_page(request: HttpRequest, address_token: str) -> HttpResponse:
    """What the link in the mail opens: a page with a button, since programs that check links follow them; a POST
    confirms. Drawn without the request: the same for whoever holds the link, and without a name or an address."""
    if request.method not in {"GET", "HEAD", "POST"}:
        return HttpResponse(status=405, headers={"Allow": "GET, HEAD, POST"})
    try:
        if request.method == "POST":
            confirm_address(token=address_token)
        else:
            mail_by_token(address_token)
    except DomainError as error:
        context = {"sentence": error.sentence}
        return HttpResponse(render_to_string("account/no_link.html", context), status=error.status)
    return HttpResponse(render_to_string("account/confirm.html", {"done": request.method == "POST"}))


urlpatterns = [
    path("account/address/", address_page, name="account-address"),
    path("address/<str:address_token>/", confirm_page, name="confirm-address"),
]
