"""Lists of tracks from elsewhere: bring one in, say what its columns mean, look at what it would do, apply it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from crewprep.common.errors import DomainError, Invalid, NotFound
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.exchange.list_columns import MOST_SHIFT_MS, UNITS, ListMapping, roles
from crewprep.exchange.list_reading import MAX_BYTES, MAX_ROWS
from crewprep.exchange.list_wrong_csv import wrong_file
from crewprep.exchange.lists import (
    LookedAt,
    apply_list,
    bring_list,
    discard_list,
    list_for,
    lists_of,
    look_at,
    map_list,
    may_change_list,
    versions_for,
    waiting_work,
)
from crewprep.exchange.models import ListImport, ListState
from crewprep.tracks.upload import QuarantinedFile
from crewprep.web.doors import crew_page
from crewprep.web.words import count_of

LINES_A_PAGE = 100
_SAMPLES = 3
_SAMPLE_LETTERS = 40


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the list in the form: its name, what is in it, and its role."""

    index: int
    name: str
    samples: str
    role: str


@crew_page
def lists_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The lists so far; a POST brings one in."""
    if request.method == "POST":
        files = [file for file in request.FILES.getlist("list") if isinstance(file, QuarantinedFile)]
        try:
            if len(files) != 1:
                raise Invalid("list:file-missing")
            row = bring_list(member=member, name=files[0].name or "", content=files[0].read(MAX_BYTES + 1))
        except DomainError as error:
            messages.error(request, error.sentence)
            return redirect("lists", member.crew.slug)
        return redirect("list", member.crew.slug, row.pk)
    context = {
        "member": member,
        "current": "tracks",
        "lists": lists_of(member),
        "most_mb": MAX_BYTES // 1_000_000,
        "most_lines": MAX_ROWS,
    }
    return render(request, "lists/lists.html", context)


@crew_page
def list_page(request: HttpRequest, member: Membership, list_id: UUID) -> HttpResponseBase:
    """A list: the meaning of its columns, what it would do line by line; a POST maps, applies or discards it."""
    row = list_for(member, list_id)
    if request.method != "POST":
        return render(request, "lists/list.html", _context(request, member, row))
    here = redirect("list", member.crew.slug, row.pk)
    try:
        if request.POST.get("do") == "apply":
            counts = apply_list(
                member=member, row=row, seen=request.POST.get("seen", ""), leave_out="leave_out" in request.POST
            )
            messages.success(request, f"Applied: {applied_words(counts)}.")
        elif request.POST.get("do") == "discard":
            discard_list(member=member, row=row)
            messages.success(request, "Discarded. Nothing of the list was applied.")
        else:
            _map(member, row, request.POST.dict())
            messages.success(request, "The list is read so now. Nothing is applied yet.")
    except DomainError as error:
        messages.error(request, error.sentence)
    return here


@crew_page
@require_safe
def list_wrong(request: HttpRequest, member: Membership, list_id: UUID) -> HttpResponse:
    """The lines that cannot be used, as a file to mend."""
    row = list_for(member, list_id)
    looked = look_at(member, row)
    if looked.plan is None:
        raise NotFound
    disposition = content_disposition_header(as_attachment=True, filename="wrong lines.csv") or "attachment"
    return HttpResponse(
        wrong_file(looked.table, looked.plan),
        content_type="text/csv; charset=utf-8; header=present",
        headers={"Content-Disposition": disposition},
    )


def applied_words(counts: Mapping[str, int]) -> str:
    """``tags of 3 tracks, 12 old markers on 4 tracks, 2 lines left out``."""
    return (
        f"tags of {count_of(counts['tags'], 'track')}, {count_of(counts['markers'], 'old marker')} on "
        f"{count_of(counts['tracks'], 'track')}, {count_of(counts['wrong'], 'line')} left out"
    )


def _map(member: Membership, row: ListImport, posted: Mapping[str, str]) -> None:
    width = len(ListMapping.of(row.mapping).columns)
    shift = posted.get("shift_ms", "").strip().replace("−", "-") or "0"
    if not shift.removeprefix("-").isdecimal() or len(shift) > 6:
        raise Invalid("list:shift", most=MOST_SHIFT_MS)
    version = next((one for one in versions_for(member) if str(one.pk) == posted.get("version")), None)
    mapping = ListMapping(
        columns=tuple(posted.get(f"column-{index}", "") for index in range(width)),
        unit=posted.get("unit", ""),
        shift_ms=int(shift),
        snap="snap" in posted,
        write_tags="write_tags" in posted,
    )
    map_list(member=member, row=row, mapping=mapping, version=version or row.convention_version)


def _context(request: HttpRequest, member: Membership, row: ListImport) -> dict[str, Any]:
    mapping = ListMapping.of(row.mapping)
    context: dict[str, Any] = {
        "member": member,
        "current": "tracks",
        "list": row,
        "is_open": row.state == ListState.OPEN,
        "may_change": may_change_list(member, row),
        "applied": applied_words(row.counts) if row.counts else "",
    }
    if row.state != ListState.OPEN:
        waiting = waiting_work(member, row)
        return context | {"waiting": waiting, "places": newest_places(member, [track.pk for track in waiting])}
    looked = look_at(member, row)
    wanted = request.GET.get("lines", "")
    return context | {
        "mapping": mapping,
        "columns": _columns(looked, mapping),
        "roles": roles(list(row.convention_version.slots.all())),
        "units": UNITS,
        "versions": versions_for(member),
        "most_shift": MOST_SHIFT_MS,
        "plan": looked.plan,
        "problem": looked.problem,
        "wanted": wanted,
        "shown": _shown(looked, wanted, request.GET.get("page")),
    }


def _columns(looked: LookedAt, mapping: ListMapping) -> list[Column]:
    return [
        Column(
            index=index,
            name=name,
            samples=", ".join(
                [row.cells[index][:_SAMPLE_LETTERS] for row in looked.table.rows if row.cells[index].strip()][:_SAMPLES]
            ),
            role=mapping.columns[index],
        )
        for index, name in enumerate(looked.table.header)
    ]


def _shown(looked: LookedAt, wanted: str, page: str | None) -> Any:
    if looked.plan is None:
        return None
    lines = looked.plan.wrong if wanted == "wrong" else looked.plan.lines
    return Paginator(lines, LINES_A_PAGE).get_page(page)


urlpatterns = [
    path("lists/", lists_page, name="lists"),
    path("lists/<uuid:list_id>/", list_page, name="list"),
    path("lists/<uuid:list_id>/wrong.csv", list_wrong, name="list-wrong"),
]
