"""Practice: what a drill is, the one that is open, and those of before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import Conflict
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.onboarding.candidates import RIGHT, sheets_unknown_to
from crewprep.onboarding.drills import begin_drill, drills_of, open_drill
from crewprep.onboarding.models import Drill, DrillScore
from crewprep.web.doors import crew_page
from crewprep.web.typed import number_of

DRILLS_A_PAGE = 20


@dataclass(frozen=True, slots=True)
class DrillLine:
    """A drill that was handed in: of so many slots that the sheet marks, so many were right within a beat."""

    drill: Drill
    right: int
    slots: int


@crew_page
def practice_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Begin a drill or go on with one; a POST begins."""
    if request.method == "POST":
        try:
            drill = begin_drill(member=member)
        except Conflict as none_left:
            return _show(request, member, refused=none_left)
        return redirect("drill", member.crew.slug, drill.pk)
    return _show(request, member)


def _show(request: HttpRequest, member: Membership, refused: Conflict | None = None) -> HttpResponse:
    done = drills_of(member).exclude(handed_in_at=None).order_by("-handed_in_at", "-pk")
    # A list needs of a drill its track and its scores, not the sheet and the facts behind it.
    listed = done.select_related(None).select_related("track").prefetch_related(None).prefetch_related("scores")
    shown = Paginator(listed, DRILLS_A_PAGE).get_page(number_of(request.GET.get("page", ""), otherwise=1))
    begun = open_drill(member)
    context = {
        "member": member,
        "current": "practice",
        "begun": begun,
        "left": begun is not None or sheets_unknown_to(member).exists(),
        "shown": shown,
        "lines": [drill_line(drill, drill.scores.all()) for drill in shown],
        "refused": refused,
        "may_lead": may_lead(member),
    }
    return render(request, "practice/practice.html", context, status=refused.status if refused else 200)


def drill_line(drill: Drill, scores: Iterable[DrillScore]) -> DrillLine:
    """How a drill went in two numbers; what was marked where the sheet has nothing does not count."""
    meant = [score for score in scores if score.miss != "extra"]
    return DrillLine(drill, sum(score.miss in RIGHT for score in meant), len(meant))


def say_left(request: HttpRequest, drill: Drill) -> None:
    """What the page says after a drill was given up."""
    messages.success(request, f"You left the drill on “{drill.track.title}”. It may come again.")


urlpatterns = [path("practice/", practice_page, name="practice")]
