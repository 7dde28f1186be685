"""Approving in bulk what needs no second look: what would be approved, and why the others would not."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import DomainError
from crewprep.crews.models import Membership
from crewprep.review.bulk import Outcome, Pick, approve_in_bulk, bulk_lines
from crewprep.review.options import options_of
from crewprep.web.doors import crew_page
from crewprep.web.words import count_of


@crew_page
def bulk_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The open proposals with a box at each that may; a POST approves those that were ticked, each by itself."""
    if request.method == "POST":
        picks = [pick for pick in map(_pick, request.POST.getlist("pick")) if pick is not None]
        try:
            _tell(request, approve_in_bulk(member=member, picks=picks, note=request.POST.get("note", "")))
        except DomainError as error:
            messages.error(request, error.sentence)
        return redirect("bulk", member.crew.slug)
    lines = bulk_lines(member)
    context = {
        "member": member,
        "current": "queue",
        "fit": [line for line in lines if not line.why_not],
        "others": [line for line in lines if line.why_not],
        "options": options_of(member.crew),
    }
    return render(request, "review/bulk.html", context)


def _pick(text: str) -> Pick | None:
    """``id:revision:digest`` as the page wrote it; None for anything else."""
    name, _, rest = text.partition(":")
    revision, _, digest = rest.partition(":")
    try:
        return Pick(UUID(name), int(revision) if len(revision) < 10 else 0, digest)
    except ValueError:
        return None


def _tell(request: HttpRequest, outcomes: list[Outcome]) -> None:
    done = [outcome for outcome in outcomes if outcome.refused is None]
    if done:
        messages.success(request, f"{count_of(len(done), 'proposal')} approved, each in your name.")
    if not outcomes:
        messages.error(request, "Nothing was ticked, so nothing was approved. Tick what you want to approve.")
    for outcome in outcomes:
        if outcome.refused is not None:
            messages.error(request, f"“{outcome.title or 'One of them'}” was not approved. {outcome.refused.sentence}")


urlpatterns = [path("queue/bulk/", bulk_page, name="bulk")]
