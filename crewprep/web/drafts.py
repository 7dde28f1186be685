"""How drafts fare: what became of the drafted markers, by slot and by how sure the draft was; the same as files."""

from __future__ import annotations

from collections.abc import Sequence

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from crewprep.crews.models import Membership
from crewprep.onboarding.draft_export import COLUMNS, figures_csv, figures_json
from crewprep.onboarding.draft_figures import (
    WEAK_FROM,
    SlotFigures,
    calibration,
    draft_figures,
    engines_of,
    weakest_first,
)
from crewprep.web.convention_words import place_words
from crewprep.web.doors import crew_page
from crewprep.web.drafts_drawing import BandLine, SlotLine, band_line, slot_line


@crew_page
@require_safe
def drafts_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The figures of one engine version, the newest unless the address names one."""
    engines = engines_of(member)
    engine = request.GET.get("engine", "")[:20] or (engines[0] if engines else "")
    slots = weakest_first(draft_figures(member, engine)) if engine in engines else []
    lines: list[SlotLine] = [slot_line(one) for one in slots]
    bands: list[BandLine] = [band_line(band) for band in calibration(slots)]
    context = {
        "member": member,
        "current": "checks",
        "engines": engines,
        "engine": engine,
        "lines": lines,
        "bands": bands,
        "weakest": weakest_words(slots),
        "columns": COLUMNS,
    }
    return render(request, "drafts/drafts.html", context)


@crew_page
@require_safe
def drafts_csv(request: HttpRequest, member: Membership) -> HttpResponse:
    """The figures of all engines as comma separated values."""
    return _file(figures_csv(draft_figures(member)), "text/csv", "drafts.csv")


@crew_page
@require_safe
def drafts_json(request: HttpRequest, member: Membership) -> HttpResponse:
    """The same lines as JSON, with what each column holds."""
    return _file(figures_json(draft_figures(member)), "application/json", "drafts.json")


def weakest_words(slots: Sequence[SlotFigures]) -> str:
    """The weakest slots in a sentence, the least often kept first."""
    drafted = [one for one in slots if one.tally.drafted >= WEAK_FROM]
    if not drafted:
        return f"No slot has been drafted for {WEAK_FROM} approved sheets yet, so none can be called weak."
    weak = [one for one in drafted if one.tally.weak]
    named = [
        f"the {place_words(one.function, one.which)} was kept in {one.tally.kept} of {one.tally.drafted} sheets"
        for one in weak or drafted[:1]
    ]
    if weak:
        return f"Weak: {'; '.join(named)}. Listen twice there."
    return f"No slot is weak; {named[0]}, the least often of all."


def _file(content: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(
        content,
        content_type=f"{kind}; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


urlpatterns = [
    path("drafts/", drafts_page, name="drafts"),
    path("drafts/figures.csv", drafts_csv, name="drafts-csv"),
    path("drafts/figures.json", drafts_json, name="drafts-json"),
]
