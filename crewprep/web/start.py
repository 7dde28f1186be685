"""The first hour: the steps with their links, and putting the list away."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse

from crewprep.common.errors import DomainError
from crewprep.crews.models import Membership
from crewprep.onboarding.start import Code, Facts, Start, Step, put_start_away, start_of, start_unless_away, take_step
from crewprep.web.doors import crew_page

_PLAIN: dict[Code, tuple[str, str]] = {
    Code.SLOTS: ("convention", "Open the convention"),
    Code.EXAMPLES: ("convention-examples", "Hear the examples"),
    Code.SLIPS: ("convention-examples", "Read them beside the examples"),
    Code.FIRST_DRILL: ("practice", "Go to Practice"),
    Code.DRILLS: ("practice", "Go to Practice"),
    Code.SIGN_OFF: ("practice", "See your drills"),
    Code.FIRST_REVIEW: ("queue", "Open the queue"),
    Code.CONVENTION: ("convention", "Choose a convention"),
    Code.INVITE: ("crew-members", "Make a link on the crew’s page"),
    Code.CRATE: ("crew-home", "Make a crate"),
    Code.APPROVED: ("queue", "Open the queue"),
    Code.NIGHT: ("nights", "Plan a night"),
}
"""Where a step is done and what its link says, where that is a page without arguments of its own."""

_ANCHORS = {Code.CRATE: "#make-a-crate", Code.CONVENTION: "#start-heading", Code.INVITE: "#invite"}


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step and its link; ``url`` is empty where there is nowhere to go yet."""

    step: Step
    url: str
    words: str


@dataclass(frozen=True, slots=True)
class NextLine:
    """The one line on the crew's home."""

    line: StepLine
    done: int
    total: int


@crew_page
def start_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The list; a POST says that a step is taken, puts the list away or brings it back."""
    if request.method == "POST":
        return _change(request, member)
    start = start_of(member)
    context = {
        "member": member,
        "current": "start",
        "start": start,
        "lines": _lines(member, start),
        "total": len(start.steps),
    }
    return render(request, "start/start.html", context)


def next_line(member: Membership) -> NextLine | None:
    """What the crew's home shows: the next step, where there is one and the list is not put away."""
    start = start_unless_away(member)
    if start is None or start.next is None:
        return None
    return NextLine(_line(member, start.next, start.facts), start.done, len(start.steps))


def _change(request: HttpRequest, member: Membership) -> HttpResponseBase:
    if request.POST.get("do") == "away":
        put_start_away(member=member, away=True)
        messages.success(request, "The first steps are put away. Under Crew you find them again.")
        return redirect("crew-home", member.crew.slug)
    if request.POST.get("do") == "back":
        put_start_away(member=member, away=False)
        messages.success(request, "The next step stands on the crew’s home again.")
        return redirect("start", member.crew.slug)
    try:
        take_step(member=member, code=request.POST.get("step", ""))
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("start", member.crew.slug)


def _lines(member: Membership, start: Start) -> list[StepLine]:
    return [_line(member, step, start.facts) for step in start.steps]


def _line(member: Membership, step: Step, facts: Facts) -> StepLine:
    crew = member.crew.slug
    if step.waits:
        return StepLine(step, "", "")
    if step.code in _PLAIN:
        name, words = _PLAIN[step.code]
        return StepLine(step, reverse(name, args=[crew]) + _ANCHORS.get(step.code, ""), words)
    crate = facts.crate_id if step.code == Code.UPLOAD else facts.ready_crate_id
    if step.code in {Code.UPLOAD, Code.PROPOSE, Code.FIRST_SHEET} and crate is not None:
        words = "Upload it into the crate" if step.code == Code.UPLOAD else "Open the crate and choose a track"
        return StepLine(step, reverse("crate", args=[crew, crate]), words)
    return StepLine(step, "", "")


urlpatterns = [path("start/", start_page, name="start")]
