"""Nights: the list, the board of one, its plan and its crates, and the calendar that a program may read."""

from __future__ import annotations

import datetime as dt
import functools
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.cache import get_conditional_response
from django.utils.html import format_html_join
from django.utils.safestring import SafeString
from django.views.decorators.http import require_POST, require_safe

from crewprep.common.errors import DomainError, NotFound
from crewprep.common.policy import Policy, declare
from crewprep.crates.models import Night
from crewprep.crates.nights import (
    NightPlan,
    edit_night,
    local_moment,
    make_night,
    put_under_night,
    time_zones,
    zone_of,
)  # fmt: skip
from crewprep.crates.selectors import crate_for, crates_elsewhere, night_for, nights_of
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.exchange.calendar import MEDIA_TYPE, calendar_by_feed
from crewprep.readiness.board import Board, board_of
from crewprep.readiness.burn_down import burn_down_of
from crewprep.readiness.selectors import feed_of, open_counts
from crewprep.readiness.services import give_feed, withdraw_feed
from crewprep.web.doors import crew_page, refusal
from crewprep.web.forms import NightForm
from crewprep.web.nights_drawing import draw, tally
from crewprep.web.risk_rows import drawn_risks
from crewprep.web.typed import number_of, uuid_of
from crewprep.web.words import minutes_words, moment_words

AT_RISK_A_PAGE = 40
_FIELD = {
    "night:name-missing": "name",
    "night:taken": "name",
    "night:zone-unknown": "time_zone",
    "night:no-such-time": "doors_at",
    "night:deadline-late": "ready_by",
}
"""The field beside which a refusal belongs; others are said above the form."""


@crew_page
def nights_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The crew's nights, the next one first, those that were below; a POST makes one."""
    form = NightForm(request.POST if request.method == "POST" else None, initial={"time_zone": zone_of(member)})
    status = 200
    if request.method == "POST":
        may_fill_crates(member).require()
        made = _save(form, lambda plan: make_night(member=member, plan=plan))
        if isinstance(made, Night):
            messages.success(request, f"“{made.name}” is made. Put its crates under it now.")
            return redirect("night", member.crew.slug, made.pk)
        status = made
    nights = list(nights_of(member))
    context = {
        "member": member,
        "current": "nights",
        "coming": [night for night in nights if night.date >= night.today()],
        "past": [night for night in reversed(nights) if night.date < night.today()],
        "counts": open_counts(nights),
        "form": form,
        "time_zones": _zone_options(),
        "may_plan": may_fill_crates(member),
    }
    return render(request, "nights/nights.html", context, status=status)


@crew_page
def night_page(request: HttpRequest, member: Membership, night_id: UUID) -> HttpResponseBase:
    """The board of a night; a POST changes its plan."""
    night = night_for(member, night_id)
    form = NightForm(request.POST if request.method == "POST" else None, initial=_initial(night))
    status = 200
    if request.method == "POST":
        may_fill_crates(member).require()
        seen = number_of(request.POST.get("revision", ""))
        changed = _save(form, lambda plan: edit_night(member=member, night=night, plan=plan, seen_revision=seen))
        if isinstance(changed, Night):
            messages.success(request, "The night is changed.")
            return redirect("night", member.crew.slug, night.pk)
        status = changed
        night = night_for(member, night_id)
    board = board_of(night)
    shown = Paginator(board.at_risk, AT_RISK_A_PAGE).get_page(request.GET.get("page"))
    context = {
        **_night_words(night),
        "member": member,
        "current": "nights",
        "board": board,
        "crates": [(line, tally(line)) for line in board.crates],
        "summary": _summary(board),
        "shown": shown,
        "risks": drawn_risks(member, shown, crates=len(board.crates)),
        "drawing": draw(burn_down_of(night, board.places)),
        "form": form,
        "time_zones": _zone_options(),
        "may_plan": may_fill_crates(member),
        "others": crates_elsewhere(member, night),
    }
    return render(request, "nights/night.html", context, status=status)


@crew_page
@require_POST
def night_crates(request: HttpRequest, member: Membership, night_id: UUID) -> HttpResponseBase:
    """Put a crate under the night, or take it away."""
    night = night_for(member, night_id)
    crate = crate_for(member, uuid_of(request.POST.get("crate", "")))
    away = request.POST.get("do") == "take"
    if away and crate.night_id != night.pk:
        messages.info(request, f"“{crate.name}” is not under this night any more.")
        return redirect("night", member.crew.slug, night.pk)
    try:
        put_under_night(member=member, crate=crate, night=None if away else night)
    except DomainError as error:
        messages.error(request, error.sentence)
    else:
        words = "is for no night now; its tracks stay in it" if away else "is for this night now"
        messages.success(request, f"“{crate.name}” {words}.")
    return redirect("night", member.crew.slug, night.pk)


@crew_page
def calendar_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """A member's calendar address: given, renewed, withdrawn. The whole address is shown once, in this answer."""
    address = ""
    if request.method == "POST" and request.POST.get("do") == "withdraw":
        try:
            withdraw_feed(member=member)
        except NotFound as error:
            messages.error(request, error.sentence)
        else:
            messages.success(request, "The address is withdrawn; it reads nothing any more.")
        return redirect("calendar", member.crew.slug)
    if request.method == "POST":
        address = request.build_absolute_uri(reverse("calendar-feed", args=[give_feed(member=member)]))
    context = {"member": member, "current": "nights", "feed": feed_of(member), "address": address}
    return render(request, "nights/calendar.html", context)


@declare(Policy.PUBLIC)
@require_safe
def calendar_feed(request: HttpRequest, token: str) -> HttpResponseBase:
    """The calendar for a program that cannot sign in: the secret in the address is what lets it in."""

    def board(night: Night) -> str:
        return request.build_absolute_uri(reverse("night", args=[night.crew.slug, night.pk]))

    try:
        file = calendar_by_feed(token, board)
    except NotFound as error:
        return refusal(request, error)
    tag = f'"{file.tag}"'
    # Kept by the program that reads it, and asked for anew each time.
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    answer = HttpResponse(file.content, content_type=MEDIA_TYPE, headers=headers)
    return get_conditional_response(request, etag=tag, response=answer) or answer


def _save(form: NightForm, save: Any) -> Night | int:
    """The night that was saved, or the status of the page that shows what is wrong."""
    if not form.is_valid():
        return 422
    values = form.cleaned_data
    try:
        ready_by = values["ready_by"]
        if ready_by is not None:
            wall = ready_by.replace(tzinfo=None)  # what was typed, whatever zone the framework took it for
            ready_by = _moment(form, wall, values["time_zone"])
        plan = NightPlan(values["name"], values["date"], values["doors_at"], values["time_zone"], ready_by)
        saved: Night = save(plan)
    except DomainError as error:
        if not form.errors:
            form.add_error(_FIELD.get(error.code), error.sentence)
        return error.status
    return saved


def _moment(form: NightForm, wall: dt.datetime, zone: str) -> dt.datetime:
    try:
        return local_moment(wall.date(), wall.time(), zone)
    except DomainError as error:
        form.add_error("time_zone" if error.code == "night:zone-unknown" else "ready_by", error.sentence)
        raise


def _initial(night: Night) -> dict[str, Any]:
    ready_by = night.ready_by and night.ready_by.astimezone(night.zone).replace(tzinfo=None)
    return {
        "name": night.name, "date": night.date, "doors_at": night.doors_at, "time_zone": night.time_zone,
        "ready_by": ready_by,
    }  # fmt: skip


def _night_words(night: Night) -> dict[str, Any]:
    return {"night": night, "deadline": moment_words(night.ready_by, night.zone) if night.ready_by else ""}


def _summary(board: Board) -> str:
    """The work against the days, in one sentence."""
    if not board.tracks:
        return "No tracks yet."
    if not board.open:
        return "Every track has its sheet."
    days, work = board.night.days_left, minutes_words(board.minutes)
    if days <= 0:
        return f"About {work} of work, and no day left."
    if days == 1:
        return f"About {work} of work, and one day left."
    return f"About {work} of work in {days} days: {minutes_words(board.minutes_a_day)} a day."


@functools.cache
def _zone_options() -> SafeString:
    """The choices of a time zone, written once: there are some five hundred."""
    return format_html_join("", '<option value="{}">', ((name,) for name in time_zones()))


urlpatterns = [
    path("", nights_page, name="nights"),
    path("calendar/", calendar_page, name="calendar"),
    path("<uuid:night_id>/", night_page, name="night"),
    path("<uuid:night_id>/crates/", night_crates, name="night-crates"),
]
public_urlpatterns = [path("calendar/<str:token>.ics", calendar_feed, name="calendar-feed")]
