"""The frame around every page: who may enter, and how a refusal looks.

``crew_page`` turns the crew's name in the path into a member and hands it to the view. A ``DomainError`` becomes a page
(or, for a script, a fragment or JSON) with its sentence and status; another crew's thing looks like none.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, Concatenate

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import render

from crewprep.common.errors import DomainError
from crewprep.common.policy import Policy, declare
from crewprep.crews.models import Membership
from crewprep.crews.selectors import member_for

CrewView = Callable[Concatenate[HttpRequest, Membership, ...], HttpResponseBase]


def crew_page(view: CrewView) -> Callable[..., HttpResponseBase]:
    """A page inside a crew: ``view(request, member, …)`` for the route argument ``crew``."""

    @declare(Policy.MEMBER)
    @login_required
    @functools.wraps(view)
    def enter(request: HttpRequest, crew: str, **route: Any) -> HttpResponseBase:
        try:
            member = member_for(request.user, crew)
            return view(request, member, **route)
        except DomainError as error:
            return refusal(request, error)

    return enter


def signed_in_page(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """A page for anyone who has signed in."""
    return declare(Policy.SIGNED_IN)(login_required(view))


def refusal(request: HttpRequest, error: DomainError) -> HttpResponse:
    """The sentence of a refusal in the form that was asked for."""
    if request.headers.get("Accept", "").startswith("application/json"):
        return JsonResponse({"code": error.code, "detail": error.sentence}, status=error.status)
    template = "errors/_refusal.html" if getattr(request, "htmx", False) else "errors/refusal.html"
    return render(request, template, {"error": error}, status=error.status)
