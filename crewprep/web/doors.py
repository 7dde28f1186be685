"""The frame around every page: who may enter, and how a refusal looks.

``crew_page`` turns the crew's name in the path into a member and hands it to the view. A ``DomainError`` becomes a page
(or, for a script, a fragment or JSON) with its sentence and status; another crew's thing looks like none.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, Concatenate

from django.contrib.auth.decorators import login_required
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django_htmx.http import HttpResponseClientRefresh

from crewprep.common.errors import DomainError, NotFound
from crewprep.common.messages import sentence_for
from crewprep.common.policy import Policy, declare
from crewprep.crews.models import Membership
from crewprep.crews.selectors import member_for

CrewView = Callable[Concatenate[HttpRequest, Membership, ...], HttpResponseBase]


def crew_page(view: CrewView) -> Callable[..., HttpResponseBase]:
    """A page inside a crew: ``view(request, member, …)`` for the route argument ``crew``."""

    @declare(Policy.MEMBER)
    @functools.wraps(view)
    def enter(request: HttpRequest, crew: str, **route: Any) -> HttpResponseBase:
        if not request.user.is_authenticated:
            return _sign_in_first(request)
        member = None
        try:
            member = member_for(request.user, crew)
            return view(request, member, **route)
        except DomainError as error:
            return refusal(request, error, member)

    return enter


def signed_in_page(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """A page for anyone who has signed in."""
    return declare(Policy.SIGNED_IN)(login_required(view))


def refusal(request: HttpRequest, error: DomainError, member: Membership | None = None) -> HttpResponse:
    """The sentence of a refusal in the form that was asked for.

    A page that is not found is the same to the byte whoever asks and for whatever reason: it is drawn without the
    request, so that nothing on it tells a missing thing from another crew's.
    """
    if wants_json(request):
        return JsonResponse({"code": error.code, "detail": error.sentence}, status=error.status)
    if isinstance(error, NotFound):
        return HttpResponse(render_to_string("404.html", {"sentence": error.sentence}), status=error.status)
    template = "errors/_refusal.html" if getattr(request, "htmx", False) else "errors/refusal.html"
    return render(request, template, {"error": error, "member": member}, status=error.status)


def wants_json(request: HttpRequest) -> bool:
    """Whether one of our scripts asks."""
    return request.headers.get("Accept", "").startswith("application/json")


def _sign_in_first(request: HttpRequest) -> HttpResponse:
    """To the sign-in and back; a script is told, as it would take the sign-in page for its answer."""
    if wants_json(request):
        return JsonResponse({"code": "not-signed-in", "detail": sentence_for("not-signed-in")}, status=401)
    if getattr(request, "htmx", False):
        return HttpResponseClientRefresh()
    return redirect_to_login(request.get_full_path())
