"""The versions of a track's sheet: what it was on any date, and putting an approved one forward again."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.dateparse import parse_date, parse_datetime

from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.errors import DomainError, NotFound
from crewprep.conventions.models import Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.sights import see_markers
from crewprep.review.again import propose_sheet_again
from crewprep.review.replay import agrees, recorded_sheets
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.selectors import sheet_as_of, sheet_for, sheets_of
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import track_for
from crewprep.web.doors import crew_page
from crewprep.web.review_lines import Place, place_in


@crew_page
def sheet_versions(request: HttpRequest, member: Membership, track_id: UUID) -> HttpResponseBase:
    """Every version, and the one of ``?at=``; a POST puts a version forward as a new proposal."""
    track = track_for(member, track_id)
    if request.method != "POST":
        return _show(request, member, track)
    number = request.POST.get("version", "")
    if not number.isascii() or not number.isdecimal() or len(number) > 9:
        raise NotFound("sheet:none")
    try:
        proposal = propose_sheet_again(
            member=member, sheet=sheet_for(member, track, int(number)), note=request.POST.get("note", ""),
            override_reason=request.POST.get("override_reason", ""),
        )  # fmt: skip
    except NotFound:
        raise
    except DomainError as error:
        return _show(request, member, track, refused=error, again=int(number))
    messages.success(request, f"Put forward again: change its markers, or let another member review version {number}.")
    return redirect("proposal", member.crew.slug, proposal.pk)


def _show(
    request: HttpRequest, member: Membership, track: Track, *, refused: DomainError | None = None, again: int = 0
) -> HttpResponseBase:
    versions = sheets_of(member, track)
    asked = request.GET.get("at", "").strip()
    when = _when(asked)
    found = sheet_as_of(track, when) if when else (versions[0] if versions else None)
    shown = next((version for version in versions if found is not None and version.pk == found.pk), None)
    if shown is not None:
        see_markers(member, track.pk)
    kept = {sheet.number: sheet for sheet in recorded_sheets(track)}
    context = {
        "member": member,
        "current": "crates",
        "track": track,
        "versions": versions,
        "asked": asked,
        "unreadable": bool(asked) and when is None,
        "when": when,
        "shown": shown,
        "lines": _lines(shown) if shown else [],
        # The same sheet from the record of what was done alone: None where it is older than that is kept.
        "agrees": agrees(shown, kept[shown.number]) if shown and shown.number in kept else None,
        "pending": pending_proposal(track),
        "again": again,
        "refused": refused,
    }
    return render(request, "review/versions.html", context, status=refused.status if refused else 200)


def _when(text: str) -> dt.datetime | None:
    """A date (its end) or a date with a time, in the service's time zone; None for what cannot be read."""
    try:
        day = parse_date(text)
        found = dt.datetime.combine(day, dt.time.max) if day else parse_datetime(text)
        return timezone.make_aware(found) if found is not None and timezone.is_naive(found) else found
    except (ValueError, OverflowError):
        return None


def _lines(sheet: SheetVersion) -> list[tuple[Slot | None, Place | None, Any]]:
    grid = MusicalTime.of(sheet.analysis.result)
    slots = {slot.number: slot for slot in sheet.convention_version.slots.all()}
    return [(slots.get(marker.slot), place_in(grid, marker), marker) for marker in sheet.markers.all()]


urlpatterns = [path("tracks/<uuid:track_id>/sheets/", sheet_versions, name="sheet-versions")]
