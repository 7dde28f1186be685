"""What the words on the pages mean, the keys, and listening with care."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path

from analysis_worker.core.limits import Limits
from crewprep.common.policy import Policy, declare
from crewprep.web.crate_rows import STATES


@declare(Policy.PUBLIC)
def help_page(request: HttpRequest) -> HttpResponse:
    """One page, for members and for those at the sign-in."""
    return render(request, "help/help.html", {"states": STATES.values(), "limits": Limits(), "current": "help"})


urlpatterns = [path("help/", help_page, name="help")]
