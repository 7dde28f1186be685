"""A track's sheet on paper: one A4 page for a typical track, drawn as vectors, legible in grey.

What is printed is the approved sheet; while there is none, the markers that lie on the desk, and the page says that
nobody has approved them.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

import segno
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path, reverse
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.onboarding.sights import see_markers
from crewprep.sheets.models import MarkerFields
from crewprep.sheets.selectors import latest_sheet
from crewprep.tracks.models import TrackState
from crewprep.tracks.selectors import reference_copy, track_for
from crewprep.web.desk import desk_for
from crewprep.web.doors import crew_page
from crewprep.web.track_parts import facts_of, rows_context
from crewprep.web.words import length_words

_PRINTED_FACTS = ("Tempo", "Length", "Key", "Loudness", "True peak")


@dataclass(frozen=True, slots=True)
class PrintedMarker:
    """One line of the list: a slot, and where its marker stands; empty words for a slot without one."""

    slot: Slot
    address: str
    clock: str
    length: str
    label: str


@crew_page
@require_safe
def print_page(request: HttpRequest, member: Membership, crate_id: UUID, track_id: UUID) -> HttpResponse:
    """The page to be printed; its square code leads to the track page."""
    crate, track = crate_for(member, crate_id), track_for(member, track_id)
    analysis = current_analysis(track)
    if not crate.tracks.filter(pk=track.pk).exists() or track.state != TrackState.READY or analysis is None:
        raise NotFound
    sheet = latest_sheet(track)
    markers: list[MarkerFields]
    if sheet is not None:
        version, analysis, markers = sheet.convention_version, sheet.analysis, list(sheet.markers.all())
    else:
        desk = desk_for(track, crate, analysis)
        version, analysis, markers = desk.version, desk.analysis, list(desk.markers)
    see_markers(member, track.pk)
    url = request.build_absolute_uri(reverse("track-page", args=[member.crew.slug, crate.pk, track.pk]))
    context = {
        **rows_context(analysis=analysis, version=version, markers=markers),
        "member": member,
        "crate": crate,
        "track": track,
        "current": "crates",
        "sheet": sheet,
        "version": version,
        "facts": [fact for fact in facts_of(analysis.result, reference_copy(track)) if fact.word in _PRINTED_FACTS],
        "lines": _lines(version, analysis, markers),
        "url": url,
        "code": square_code(url),
    }
    return render(request, "tracks/print.html", context)


def square_code(text: str) -> SafeString:
    """A QR code (ISO/IEC 18004, made by segno) as an ``<svg>`` of one path, with its quiet zone of four modules."""
    code = segno.make(text, error="m", micro=False)
    drawn = code.svg_inline(border=4, omitsize=True, svgclass="code", lineclass=None)
    return mark_safe(drawn)  # noqa: S308  segno draws paths only; the text is not in it


def _lines(version: ConventionVersion, analysis: Analysis, markers: list[MarkerFields]) -> list[PrintedMarker]:
    grid = MusicalTime.of(analysis.result)
    placed = {marker.slot: marker for marker in markers}
    lines = []
    for slot in version.slots.all():
        marker = placed.get(slot.number)
        if marker is None:
            lines.append(PrintedMarker(slot, "", "", "", ""))
        else:
            at = "" if grid.timed else grid.address(marker.start_us)
            lines.append(PrintedMarker(slot, at, clock(marker.start_us), length_words(grid, marker), marker.label))
    return lines


urlpatterns = [
    path("crates/<uuid:crate_id>/tracks/<uuid:track_id>/print/", print_page, name="track-print"),
]
