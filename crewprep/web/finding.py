"""The Tracks page: the crew's library, searched, kept as links, and changed many at a time."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Page, Paginator
from django.db.models import Count, Window
from django.http import HttpRequest, HttpResponse, HttpResponseBase, QueryDict
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates, may_lead
from crewprep.crews.selectors import members_of
from crewprep.library.bulk import MOST_TRACKS, UNDO_FOR, change_many, undo
from crewprep.library.search import SORTS, Search, found
from crewprep.library.selectors import (
    bulk_change_for,
    chosen_tracks,
    last_change,
    search_for,
    searches_of,
)
from crewprep.library.services import drop_search, save_search
from crewprep.tracks.models import Track
from crewprep.web.doors import crew_page
from crewprep.web.finding_rows import drawn_rows
from crewprep.web.search_form import SearchForm
from crewprep.web.typed import number_of
from crewprep.web.words import count_of

ROWS_A_PAGE = 50

_COLUMNS = (
    ("title", "Track"), ("state", "State"), ("length", "Length"), ("tempo", "Tempo"), ("key", "Key"),
    ("level", "Level"), ("confidence", "Draft"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """A column's head: what it is called, the address that sorts by it, and how it is sorted now."""

    name: str
    words: str
    address: str
    sorted: str


@crew_page
@require_GET
def tracks_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The library as the address asks; an address with empty values is made short first, to be kept and sent."""
    form = SearchForm(member, request.GET)
    if any(not value for _, values in request.GET.lists() for value in values):
        return redirect(_address(member, form.address(page=request.GET.get("page", ""))))
    return _page(request, member, form, request.GET.get("page", ""))


@crew_page
@require_POST
def change(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Do what a button says with the tracks that are ticked, or with all that the search finds; a refusal keeps the
    ticks."""
    form = SearchForm(member, QueryDict(request.POST.get("query", "")[:2000]))
    ticked = _ids(request.POST.getlist("track"))
    try:
        do = request.POST.get("do", "")
        crate = next((one for one in form.crates if str(one.pk) == request.POST.get("into")), None)
        to = next((one for one in members_of(member) if str(one.pk) == request.POST.get("to")), None)
        tracks = _every(member, form) if request.POST.get("every") else chosen_tracks(member, ticked)
        change_many(member=member, kind=do, tracks=tracks, crate=crate, to=to)
    except DomainError as error:
        return _page(request, member, form, request.POST.get("page", ""), refused=error, ticked=ticked)
    return redirect(_address(member, form.address(page=request.POST.get("page", ""))))


@crew_page
@require_POST
def take_back(request: HttpRequest, member: Membership, change_id: UUID) -> HttpResponseBase:
    """Take back what was done with many tracks."""
    made = bulk_change_for(member, change_id)
    try:
        result = undo(member=member, change=made)
    except DomainError as error:
        messages.error(request, error.sentence)
    else:
        said = f"Undone: {count_of(result.back, 'track')} as before."
        if result.left:
            said += f" {count_of(result.left, 'track')} changed since and {'was' if result.left == 1 else 'were'} left."
        messages.success(request, said)
    return redirect(_address(member, request.POST.get("query", "")[:2000]))


@crew_page
@require_POST
def save(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Keep the search that is shown under a name."""
    form = SearchForm(member, QueryDict(request.POST.get("query", "")[:2000]))
    try:
        kept = save_search(
            member=member,
            name=request.POST.get("name", ""),
            query=form.address(),
            shared=bool(request.POST.get("shared")),
        )
    except DomainError as error:
        return _page(request, member, form, "", name_error=error)
    messages.success(request, f"“{kept.name}” is kept{' for the whole crew' if kept.shared else ''}.")
    return redirect(_address(member, form.address()))


@crew_page
@require_POST
def drop(request: HttpRequest, member: Membership, search_id: UUID) -> HttpResponseBase:
    """Forget a search that was kept."""
    kept = search_for(member, search_id)
    drop_search(member=member, search=kept)
    messages.success(request, f"“{kept.name}” is forgotten; the tracks stay as they are.")
    return redirect("tracks", member.crew.slug)


def _page(
    request: HttpRequest,
    member: Membership,
    form: SearchForm,
    number: str,
    *,
    refused: DomainError | None = None,
    ticked: Collection[UUID] = (),
    name_error: DomainError | None = None,
) -> HttpResponse:
    valid = form.is_valid()
    shown: Page[UUID] | None = None
    if valid:
        shown = _found_page(member, form.search(), number)
    lead, fill = may_lead(member), may_fill_crates(member)
    error = refused or name_error
    return render(
        request,
        "finding/tracks.html",
        {
            "member": member,
            "current": "tracks",
            "form": form,
            "shown": shown,
            "rows": drawn_rows(member, list(shown), set(ticked)) if shown else [],
            "columns": _columns(form),
            "query": form.address(),
            "before": form.address(page=str(shown.previous_page_number())) if shown and shown.has_previous() else "",
            "after": form.address(page=str(shown.next_page_number())) if shown and shown.has_next() else "",
            "searches": searches_of(member),
            "done": None if error else last_change(member),
            "undo_minutes": int(UNDO_FOR.total_seconds() // 60),
            "refused": refused,
            "name_error": name_error,
            "posted": request.POST if error else {},
            "may_lead": lead,
            "may_fill": fill,
            "members": members_of(member) if lead else [],
            "most": MOST_TRACKS,
        },
        status=error.status if error else 200 if valid else 422,
    )


def _found_page(member: Membership, search: Search, number: str) -> Page[UUID]:
    """The ids of a page of what a search finds; a page that is not there is the nearest that is."""
    rows = found(member, search)
    pages = Paginator(rows.values_list("track_id", flat=True), ROWS_A_PAGE)
    if search == Search(sort=search.sort):  # an index gives the page without the rest
        return pages.get_page(number)
    # Filters are asked of every track to count them; so they are counted beside the ids, in the same query.
    page = max(1, number_of(number, otherwise=1))
    first = (page - 1) * ROWS_A_PAGE
    here = list(rows.annotate(all=Window(Count("*"))).values_list("track_id", "all")[first : first + ROWS_A_PAGE])
    if first and not here:
        return pages.get_page(number)
    pages.count = here[0][1] if here else 0
    return Page([track_id for track_id, _ in here], page, pages)


def _columns(form: SearchForm) -> list[Column]:
    sort = form.data.get("sort") or "title"
    name, down = sort.removeprefix("-"), sort.startswith("-")
    return [
        Column(
            name=column,
            words=words,
            address=form.address(sort=f"-{column}" if column == name and not down else column),
            sorted=("descending" if down else "ascending") if column == name else "",
        )
        for column, words in _COLUMNS
        if column in SORTS
    ]


def _every(member: Membership, form: SearchForm) -> list[Track]:
    if not form.is_valid():
        raise Invalid("malformed", detail="the search is not one.")
    rows = found(member, form.search()).select_related("track")[: MOST_TRACKS + 1]
    return [row.track for row in rows]


def _ids(texts: list[str]) -> list[UUID]:
    """Those that are ids; the others are no track's."""
    ids = []
    for text in texts[: MOST_TRACKS + 1]:
        try:
            ids.append(UUID(text))
        except ValueError:
            continue
    return ids


def _address(member: Membership, query: str) -> str:
    base = reverse("tracks", args=[member.crew.slug])
    return f"{base}?{query}" if query else base


urlpatterns = [
    path("tracks/", tracks_page, name="tracks"),
    path("tracks/change/", change, name="tracks-change"),
    path("tracks/changes/<uuid:change_id>/undo/", take_back, name="tracks-undo"),
    path("tracks/searches/", save, name="tracks-save"),
    path("tracks/searches/<uuid:search_id>/delete/", drop, name="tracks-drop"),
]
