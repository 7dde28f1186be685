"""Correcting the grid on the track page: each fix is one form, so that it works without scripts too."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect
from django.urls import path
from django.views.decorators.http import require_POST

from analysis_worker.core.results import TrackAnalysis
from crewprep.analysis import correction
from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.analysis.selectors import current_analysis, measured_analysis
from crewprep.common.errors import Conflict, DomainError, Invalid
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.review.corrections import correct_grid
from crewprep.tracks.selectors import track_for
from crewprep.web.doors import crew_page

Change = Callable[[TrackAnalysis], TrackAnalysis]


@dataclass(frozen=True, slots=True)
class OtherReading:
    """A way to hear the beat that the analysis kept: its number in the list, how it differs, and how likely it is."""

    number: int
    words: str
    tempo: str
    likely: str


@crew_page
@require_POST
def grid_fix(request: HttpRequest, member: Membership, crate_id: UUID, track_id: UUID) -> HttpResponseBase:
    """Do what one of the buttons says, and show the track again; a refusal is a sentence on that page."""
    crate, track = crate_for(member, crate_id), track_for(member, track_id)
    try:
        analysis = current_analysis(track)
        if analysis is None:
            raise Conflict("analysis:none")
        change, words = _asked(analysis, request.POST.dict())
        correct_grid(member=member, track=track, seen=request.POST.get("seen", ""), change=change, words=words)
        messages.success(request, f"Grid corrected: {words}. Markers kept their times.")
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("track-page", member.crew.slug, crate.pk, track.pk)


def grid_context(analysis: Analysis) -> dict[str, Any]:
    """What ``tracks/_grid.html`` shows: the other readings, and whose correction the grid is."""
    measured = measured_analysis(analysis)
    found = measured.result
    readings = [
        OtherReading(number, reading.words, f"{reading.bpm:.2f}", _share(reading.score))
        for number, reading in enumerate(found.readings)
        if number and found.tempo_bpm
    ]
    return {
        "grid_seen": analysis.pk,
        "grid_timed": len(analysis.result.beats_us) < 2,
        "grid_bpm": f"{analysis.result.tempo_bpm:.2f}" if analysis.result.tempo_bpm else "",
        "grid_first": clock(analysis.result.downbeats_us[0]) if analysis.result.downbeats_us else "",
        "readings": readings,
        "corrected": analysis if analysis.made_by is not None else None,
        "as_measured": analysis.facts == measured.facts,
    }


def _asked(analysis: Analysis, posted: Mapping[str, str]) -> tuple[Change, str]:
    """The change that a form asks for, and its name; raises ``Invalid`` where a field cannot be read."""
    match posted.get("do"):
        case "half-beat":
            return correction.half_a_beat_later, "half a beat later"
        case "beat":
            return correction.a_beat_later, "bars a beat later"
        case "one":
            at_us = _time(analysis, posted)
            return lambda result: correction.one_here(result, at_us), f"the one at {clock(at_us)}"
        case "half":
            return lambda result: correction.times_two(result, faster=False), "half the tempo"
        case "double":
            return lambda result: correction.times_two(result, faster=True), "double the tempo"
        case "move":
            ms = _number(posted, "ms")
            return lambda result: correction.moved(result, round(1000 * ms)), f"moved by {_signed(ms)} ms"
        case "tempo":
            at_us, bpm = _time(analysis, posted), _number(posted, "bpm")
            return lambda result: correction.steady(result, bpm, at_us), f"{bpm:g} BPM throughout"
        case "tempo-from":
            at_us, bpm = _time(analysis, posted), _number(posted, "bpm")
            return lambda result: correction.tempo_from(result, at_us, bpm), f"{bpm:g} BPM from {clock(at_us)}"
        case "reading":
            return _reading(measured_analysis(analysis).result, posted.get("reading", ""))
        case "back":
            found = measured_analysis(analysis).result
            return lambda _: found, "back to what the analysis found"
    raise Invalid("grid:unusable", detail="Choose one of the corrections on the page.")


def _reading(found: TrackAnalysis, text: str) -> tuple[Change, str]:
    number = int(text) if text.isdecimal() and len(text) < 4 else 0
    if not 0 < number < len(found.readings):
        raise Invalid("grid:unusable", detail="That reading is not in the list. Choose one that is.")
    reading = found.readings[number]
    return lambda _: correction.respaced(found, reading), reading.words


def _time(analysis: Analysis, posted: Mapping[str, str]) -> int:
    text = posted.get("at", "").strip()
    at_us = MusicalTime.of(analysis.result).find(text)
    if at_us is None or at_us > analysis.duration_us:
        raise Invalid("grid:unusable", detail=f"“{text[:40]}” is no time in this track. Write one such as 0:12.5.")
    return at_us


def _number(posted: Mapping[str, str], name: str) -> float:
    text = posted.get(name, "").strip().replace(",", ".").replace("−", "-")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e6:
        raise Invalid("grid:unusable", detail=f"“{text[:40]}” is not a number. Write one such as 128 or 127.5.")
    return value


def _share(score: float) -> str:
    return "less than 1 %" if score < 0.01 else f"{100 * score:.0f} %"


def _signed(value: float) -> str:
    return f"{value:+g}".replace("-", "−")


urlpatterns = [
    path("crates/<uuid:crate_id>/tracks/<uuid:track_id>/grid/", grid_fix, name="grid-fix"),
]
