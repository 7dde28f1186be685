"""How a member does in drills, a lead's word on a newcomer, and the bar that the crew sets."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from crewprep.common.errors import DomainError, Invalid, Refused
from crewprep.crews.models import Membership, Role
from crewprep.crews.rules import may_lead
from crewprep.onboarding.progress import Progress, practiser_for, progress_for
from crewprep.onboarding.rules import may_sign_off
from crewprep.onboarding.scores_csv import scores_file
from crewprep.onboarding.signing import (
    MOST_DRILLS,
    MOST_NOTE,
    ask_for_more,
    bar_of,
    readiness_of,
    set_bar,
    sign_off,
    words_on,
)  # fmt: skip
from crewprep.web.doors import crew_page
from crewprep.web.progress_words import draw
from crewprep.web.typed import number_of

NEWEST = 8
"""So many drills stand on the page at once, the older ones behind a summary."""


@crew_page
def progress_page(request: HttpRequest, member: Membership, member_id: UUID) -> HttpResponseBase:
    """What the drills show; a POST by a lead signs off or asks for more, by the figures that were seen."""
    progress = progress_for(member, member_id)
    refused: DomainError | None = None
    if request.method == "POST":
        try:
            messages.success(request, _say(member, progress.other, request.POST.dict()))
            return redirect("progress", member.crew.slug, member_id)
        except Refused:
            raise
        except DomainError as error:
            refused, progress = error, progress_for(member, member_id)
    context = {**_context(member, progress), "refused": refused, "note": request.POST.get("note", "")}
    return render(request, "practice/progress.html", context, status=refused.status if refused else 200)


@crew_page
@require_safe
def scores_page(request: HttpRequest, member: Membership, member_id: UUID) -> HttpResponse:
    """Every score as a file of comma separated values."""
    return HttpResponse(
        scores_file(practiser_for(member, member_id)),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="drill-scores.csv"'},
    )


@crew_page
def bar_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """What newcomers must show; a POST by a lead sets it."""
    refused: DomainError | None = None
    if request.method == "POST":
        try:
            set_bar(
                member=member,
                least_drills=number_of(request.POST.get("least_drills", "").strip()),
                least_share=_share(request.POST.get("least_share", "")),
            )
            messages.success(request, "Set. Newcomers are held to it from now on.")
            return redirect("sign-off-bar", member.crew.slug)
        except DomainError as error:
            refused = error
    bar = bar_of(member.crew)
    context: dict[str, Any] = {
        "member": member,
        "current": "practice",
        "least_drills": request.POST.get("least_drills", "") if refused else bar.least_drills,
        "least_share": request.POST.get("least_share", "") if refused else f"{bar.least_share * 100:g}",
        "most_drills": MOST_DRILLS,
        "may_lead": may_lead(member),
        "refused": refused,
    }
    return render(request, "practice/bar.html", context, status=refused.status if refused else 200)


def _context(member: Membership, progress: Progress) -> dict[str, Any]:
    other = progress.other
    bar = bar_of(member.crew)
    return {
        "member": member,
        "current": "practice",
        "other": other,
        "is_me": other.pk == member.pk,
        "progress": progress,
        "newest": progress.drills[: -NEWEST - 1 : -1],
        "older": progress.drills[-NEWEST - 1 :: -1],
        "drawing": draw(progress, bar.least_share),
        "readiness": readiness_of(progress, bar),
        "is_newcomer": other.role == Role.NEWCOMER,
        "may_sign_off": may_sign_off(member, other),
        "may_lead": may_lead(member),
        "words": words_on(other),
        "most_note": MOST_NOTE,
    }


def _say(member: Membership, other: Membership, posted: dict[str, str]) -> str:
    seen = number_of(posted.get("seen_drills", ""), otherwise=-1)
    note = posted.get("note", "")
    match posted.get("do"):
        case "sign-off":
            sign_off(member=member, other=other, note=note, seen_drills=seen)
            return f"{other.user} is a resident now and may review at once."
        case "more":
            ask_for_more(member=member, other=other, note=note, seen_drills=seen)
            return f"{other.user} is asked for more practice."
    raise Invalid("malformed", detail="choose whether to sign off or to ask for more.")


def _share(text: str) -> float:
    """Per cent as typed; raises ``Invalid``."""
    try:
        return float(text.strip().removesuffix("%").strip().replace(",", ".")) / 100
    except ValueError as error:
        raise Invalid("bar:share") from error


urlpatterns = [
    path("progress/<uuid:member_id>/", progress_page, name="progress"),
    path("progress/<uuid:member_id>/scores.csv", scores_page, name="progress-csv"),
    path("bar/", bar_page, name="sign-off-bar"),
]
