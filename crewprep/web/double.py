"""Double markings: the list, opening one, its progress and report, and marking a track by ear."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.http import content_disposition_header
from django.utils.text import slugify
from django.views.decorators.http import require_GET, require_POST, require_safe

from crewprep.common.errors import Conflict, DomainError, Invalid
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead, may_review_at_all
from crewprep.crews.selectors import members_of
from crewprep.onboarding.disagreement import RELATIONS
from crewprep.onboarding.double import (
    MOST_TRACKS,
    Sample,
    blind_sheet_for,
    blind_sheets_of,
    close_double_marking,
    counts_of,
    double_marking_for,
    double_markings_of,
    hand_in_blind,
    keep_blind,
    may_see_report,
    open_double_marking,
    progress_of,
    tracks_for,
)
from crewprep.onboarding.double_report import Report, report_csv, report_of, report_values
from crewprep.onboarding.models import BlindSheet, DoubleMarking
from crewprep.onboarding.sights import note_sight
from crewprep.sheets.markers import MarkerInput, markers_from_json
from crewprep.tracks.selectors import track_for
from crewprep.web.blind import Blind, blind_context, empty_and_required, kept_data
from crewprep.web.doors import crew_page
from crewprep.web.double_words import figures_of, slot_lines, worst_of
from crewprep.web.typed import number_of, uuid_of

MARKINGS_A_PAGE = 25
TRACKS_SHOWN = 50
USUAL_SAMPLE = 8
_HIGHEST_SEED = 10**9


@crew_page
@require_GET
def double_markings_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The crew's double markings, newest first, with what waits for the member."""
    shown = Paginator(double_markings_of(member), MARKINGS_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "member": member,
        "current": "convention",
        "shown": shown,
        "counts": counts_of(member, shown),
        "may_open": may_lead(member),
        "version": current_version(member),
    }
    return render(request, "double/markings.html", context)


@crew_page
def open_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """First who marks, then what: a GET with members shows the tracks that are new to all of them; a POST opens it."""
    may_lead(member).require()
    version = current_version(member)
    if version is None:
        raise Invalid("convention:none")
    fields = request.POST if request.method == "POST" else request.GET
    people = [one for one in members_of(member) if may_review_at_all(one)]
    chosen = [one for one in people if str(one.pk) in fields.getlist("member")]
    error: DomainError | None = None
    if request.method == "POST" and request.POST.get("do") == "open":
        try:
            marking = open_double_marking(
                member=member, name=fields.get("name", ""), version=version, members=chosen,
                tracks=_wanted(request, member),
            )  # fmt: skip
        except DomainError as refused:
            error = refused
        else:
            messages.success(request, f"“{marking.name}” is open. Everyone who takes part finds their tracks here.")
            return redirect("double-marking", member.crew.slug, marking.pk)
    return _show_open(request, member, people, chosen, error)


def _wanted(request: HttpRequest, member: Membership) -> Any:
    if request.POST.get("how") == "choose":
        return [track_for(member, uuid_of(text)) for text in request.POST.getlist("track")[: MOST_TRACKS + 1]]
    seed = number_of(request.POST.get("seed", ""), otherwise=secrets.randbelow(_HIGHEST_SEED))
    return Sample(number_of(request.POST.get("size", "")), seed)


def _show_open(
    request: HttpRequest,
    member: Membership,
    people: Sequence[Membership],
    chosen: Sequence[Membership],
    error: DomainError | None,
) -> HttpResponse:
    fields = request.POST if request.method == "POST" else request.GET
    ticked = set(fields.getlist("track"))
    query = fields.get("q", "").strip()[:100]
    context: dict[str, Any] = {
        "member": member,
        "current": "convention",
        "people": people,
        "chosen": chosen,
        "error": error,
        "query": query,
        "name": fields.get("name", ""),
        "how": fields.get("how", "draw"),
        "size": fields.get("size", USUAL_SAMPLE),
        "seed": fields.get("seed", ""),
        "ticked": ticked,
        "most": MOST_TRACKS,
        "version": current_version(member),
    }
    if len(chosen) > 1:
        free = tracks_for(member, [one.user_id for one in chosen])
        found = free.filter(title__icontains=query) if query else free
        rows = list(found[:TRACKS_SHOWN])
        kept = [track for track in free.filter(pk__in=_ids(ticked)) if track not in rows]
        context |= {"count": free.count(), "tracks": [*kept, *rows], "found": found.count()}
    return render(request, "double/open.html", context, status=error.status if error else 200)


def _ids(texts: set[str]) -> list[UUID]:
    return [uuid_of(text) for text in texts]


@crew_page
def double_marking_page(request: HttpRequest, member: Membership, marking_id: UUID) -> HttpResponseBase:
    """Who has handed in how many, one's own tracks, and the report once one may see it; a POST closes it."""
    marking = double_marking_for(member, marking_id)
    if request.method == "POST":
        try:
            close_double_marking(member=member, marking=marking)
        except Conflict as error:
            messages.error(request, error.sentence)
        else:
            messages.success(request, "Closed. The report is of what had been handed in, and the crew can read it.")
        return redirect("double-marking", member.crew.slug, marking.pk)
    sees = may_see_report(member, marking)
    context: dict[str, Any] = {
        "member": member,
        "current": "convention",
        "marking": marking,
        "counts": counts_of(member, [marking])[marking.pk],
        "progress": progress_of(marking),
        "mine": blind_sheets_of(member, marking),
        "sees": sees,
        "may_lead": may_lead(member),
    }
    if sees:
        report = _report(member, marking)
        context |= {
            "report": report,
            "figures": figures_of(report),
            "worst": worst_of(member, report),
            "lines": slot_lines(report),
            "relations": RELATIONS,
        }
    return render(request, "double/marking.html", context)


@crew_page
@require_safe
def report_file(request: HttpRequest, member: Membership, marking_id: UUID, form: str) -> HttpResponseBase:
    """The report as a file."""
    marking = double_marking_for(member, marking_id)
    report = _report(member, marking)
    name = f"{slugify(marking.name) or 'double-marking'}.{form}"
    headers = {"Content-Disposition": content_disposition_header(as_attachment=True, filename=name) or "attachment"}
    if form == "json":
        return JsonResponse(report_values(report), headers=headers, json_dumps_params={"indent": 2})
    return HttpResponse(report_csv(report), content_type="text/csv; charset=utf-8; header=present", headers=headers)


def _report(member: Membership, marking: DoubleMarking) -> Report:
    report = report_of(member, marking)
    note_sight(member, report.tracks)
    return report


@crew_page
def blind_track_page(request: HttpRequest, member: Membership, marking_id: UUID, track_id: UUID) -> HttpResponseBase:
    """Mark a track by ear; a POST hands it in."""
    sheet = blind_sheet_for(member, double_marking_for(member, marking_id), track_id)
    if request.method != "POST":
        return _show_track(request, member, sheet)
    blind, submitted = _blind(sheet), None
    try:
        submitted = blind.read(request.POST.dict())
        empty = empty_and_required(blind, submitted)
        if empty and not request.POST.get("sure"):
            return _show_track(request, member, sheet, submitted=submitted, empty=empty)
        hand_in_blind(member=member, sheet=sheet, markers=submitted, seen_revision=_seen(request))
    except DomainError as error:
        again = blind_sheet_for(member, sheet.double_marking, track_id)
        return _show_track(request, member, again, error=error, submitted=submitted)
    messages.success(request, f"“{sheet.track.title}” is handed in.")
    return redirect("double-marking", member.crew.slug, marking_id)


@crew_page
@require_POST
def blind_keep(request: HttpRequest, member: Membership, marking_id: UUID, track_id: UUID) -> HttpResponseBase:
    """Keep the markers; answers the new revision, or 409 with what another window has kept."""
    sheet = blind_sheet_for(member, double_marking_for(member, marking_id), track_id)
    markers = markers_from_json(request.POST.get("markers", ""))
    try:
        kept = keep_blind(
            member=member, sheet=sheet, markers=markers, seen_revision=number_of(request.POST.get("seen", ""))
        )
    except Conflict as error:
        answer: dict[str, Any] = {"code": error.code, "detail": error.sentence}
        if error.code == "kept:other-window":
            other = _blind(blind_sheet_for(member, sheet.double_marking, track_id))
            answer["kept"] = kept_data(other.name, other.markers, other.revision)
        return JsonResponse(answer, status=error.status)
    return JsonResponse({"revision": kept.revision})


def _seen(request: HttpRequest) -> int:
    return number_of(request.POST.get("seen_kept", ""))


def _blind(sheet: BlindSheet) -> Blind:
    return Blind(
        name=f"double/{sheet.pk}",
        track=sheet.track,
        analysis=sheet.analysis,
        version=sheet.double_marking.convention_version,
        markers=[MarkerInput.from_values(values) for values in sheet.markers],
        revision=sheet.revision,
    )


def _show_track(
    request: HttpRequest,
    member: Membership,
    sheet: BlindSheet,
    *,
    error: DomainError | None = None,
    submitted: Sequence[MarkerInput] | None = None,
    empty: Sequence[int] = (),
) -> HttpResponse:
    """The page to mark on; after a refusal with all that was sent. ``empty`` are required slots to be asked about."""
    marking, again = sheet.double_marking, error is not None or bool(empty)
    settled = sheet.handed_in_at is not None or marking.closed_at is not None
    slots = {slot.number: slot for slot in marking.convention_version.slots.all()}
    context = {
        **blind_context(
            member, _blind(sheet), submitted=submitted, typed=request.POST.dict() if again else None,
            keep_url=reverse("blind-keep", args=[member.crew.slug, marking.pk, sheet.track_id]),
            # A window that was overtaken stays so until its member has chosen which markers to go on with.
            seen=_seen(request) if error is not None and error.code == "kept:other-window" else None,
        ),
        "member": member,
        "current": "convention",
        "marking": marking,
        "sheet": sheet,
        "track": sheet.track,
        "settled": settled,
        "error": error,
        "empty": [slots[number] for number in empty],
        "sure": "Hand in all the same" if empty else "",
    }  # fmt: skip
    return render(request, "double/track.html", context, status=error.status if error else 422 if empty else 200)


_ONE = "double-markings/<uuid:marking_id>"

urlpatterns = [
    path("double-markings/", double_markings_page, name="double-markings"),
    path("double-markings/new/", open_page, name="double-marking-open"),
    path(f"{_ONE}/", double_marking_page, name="double-marking"),
    path(f"{_ONE}/report.json", report_file, {"form": "json"}, name="double-marking-json"),
    path(f"{_ONE}/report.csv", report_file, {"form": "csv"}, name="double-marking-csv"),
    path(f"{_ONE}/tracks/<uuid:track_id>/", blind_track_page, name="blind-track"),
    path(f"{_ONE}/tracks/<uuid:track_id>/keep/", blind_keep, name="blind-keep"),
]
