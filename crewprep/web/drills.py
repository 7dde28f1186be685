"""A drill: the track with its markers hidden, and, once handed in, how each slot went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.errors import Conflict, DomainError
from crewprep.conventions.models import Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.drills import drill_for, drop_drill, hand_in, keep_drill
from crewprep.onboarding.models import Drill
from crewprep.sheets.markers import MarkerInput, markers_from_json, rows
from crewprep.sheets.models import SheetMarker
from crewprep.tracks.selectors import reference_copy
from crewprep.web.blind import Blind, blind_context, empty_and_required, kept_data
from crewprep.web.doors import crew_page
from crewprep.web.drill_words import TONES, miss_words
from crewprep.web.practice import drill_line, say_left
from crewprep.web.review_lines import Place, place_in
from crewprep.web.track_parts import player_context, rows_context
from crewprep.web.typed import number_of


@dataclass(frozen=True, slots=True)
class ResultLine:
    """How one slot went: the short word with its tone, the miss in words, where it was marked and where the sheet has
    it; ``hear`` is whether there is something to listen to."""

    slot: Slot
    kind: str
    state: str
    tone: str
    words: str
    yours: Place | None
    sheet: Place | None
    hear: bool

    @property
    def more(self) -> str:
        """What the words say beyond the short one."""
        said, sign, rest = self.words.partition(": " if ": " in self.words else "; ")
        return rest if said == self.state.lower() else f"{said}{sign}{rest}"


@crew_page
def drill_page(request: HttpRequest, member: Membership, drill_id: UUID) -> HttpResponseBase:
    """Mark by ear, or see how it went; a POST hands in, or leaves the drill."""
    drill = drill_for(member, drill_id)
    if drill.handed_in_at is not None:
        return _result(request, member, drill)
    if drill.membership_id != member.pk:
        return render(request, "practice/open.html", {"member": member, "current": "practice", "drill": drill})
    if request.method != "POST":
        return _drill(request, member, drill)
    if request.POST.get("do") == "drop":
        drop_drill(member=member, drill=drill)
        say_left(request, drill)
        return redirect("practice", member.crew.slug)
    blind, submitted = _blind(drill), None
    try:
        submitted = blind.read(request.POST.dict())
        empty = empty_and_required(blind, submitted)
        if submitted and empty and not request.POST.get("sure"):
            return _drill(request, member, drill, submitted=submitted, empty=empty)
        hand_in(member=member, drill=drill, markers=submitted, seen_revision=_seen(request))
    except DomainError as error:
        return _drill(request, member, drill_for(member, drill_id), error=error, submitted=submitted)
    return redirect("drill", member.crew.slug, drill.pk)


@crew_page
@require_POST
def drill_keep(request: HttpRequest, member: Membership, drill_id: UUID) -> HttpResponseBase:
    """Keep the markers; answers the new revision, or 409 with what another window has kept."""
    drill = drill_for(member, drill_id)
    markers = markers_from_json(request.POST.get("markers", ""))
    try:
        kept = keep_drill(
            member=member, drill=drill, markers=markers, seen_revision=number_of(request.POST.get("seen", ""))
        )
    except Conflict as error:
        answer: dict[str, Any] = {"code": error.code, "detail": error.sentence}
        if error.code == "drill:other-window":
            other = _blind(drill_for(member, drill_id))
            answer["kept"] = kept_data(other.name, other.markers, other.revision)
        return JsonResponse(answer, status=error.status)
    return JsonResponse({"revision": kept.revision})


def _seen(request: HttpRequest) -> int:
    return number_of(request.POST.get("seen_kept", ""))


def _blind(drill: Drill) -> Blind:
    sheet = drill.sheet
    return Blind(
        name=f"drill/{drill.pk}",
        track=drill.track,
        analysis=sheet.analysis,
        version=sheet.convention_version,
        markers=_yours(drill),
        revision=drill.revision,
    )


def _yours(drill: Drill) -> list[MarkerInput]:
    return [MarkerInput.from_values(values) for values in drill.markers]


def _drill(
    request: HttpRequest,
    member: Membership,
    drill: Drill,
    *,
    error: DomainError | None = None,
    submitted: Sequence[MarkerInput] | None = None,
    empty: Sequence[int] = (),
) -> HttpResponse:
    """The page to mark on; after a refusal with all that was sent. ``empty`` are required slots to be asked about."""
    again = error is not None or bool(empty)
    slots = {slot.number: slot for slot in drill.sheet.convention_version.slots.all()}
    context = {
        **blind_context(
            member, _blind(drill), submitted=submitted, typed=request.POST.dict() if again else None,
            keep_url=reverse("drill-keep", args=[member.crew.slug, drill.pk]),
            # A window that was overtaken stays so until its member has chosen which markers to go on with.
            seen=_seen(request) if error is not None and error.code == "drill:other-window" else None,
        ),
        "member": member,
        "current": "practice",
        "drill": drill,
        "track": drill.track,
        "version": drill.sheet.convention_version,
        "error": error,
        "empty": [slots[number] for number in empty],
        "sure": "Hand in all the same" if empty else "",
    }  # fmt: skip
    status = error.status if error else 422 if empty else 200
    return render(request, "practice/drill.html", context, status=status)


def _result(request: HttpRequest, member: Membership, drill: Drill) -> HttpResponse:
    sheet = drill.sheet
    version, analysis = sheet.convention_version, sheet.analysis
    lines = _lines(drill)
    apart = {line.slot.number for line in lines if line.yours and line.kind != "kept"}
    yours = [marker for marker in rows(SheetMarker, _yours(drill)) if marker.slot in apart]
    context = {
        "member": member,
        "current": "practice",
        "drill": drill,
        "track": drill.track,
        "version": version,
        "own": drill.membership_id == member.pk,
        "line": drill_line(drill, drill.scores.all()),
        "lines": lines,
        **rows_context(
            analysis=analysis,
            version=version,
            markers=list(sheet.markers.all()),
            old_markers=yours,
            kept={line.slot.number for line in lines if line.kind == "kept"},
            changes={line.slot.number: line.state.lower() for line in lines if line.kind not in ("kept", "empty")},
            old_word="Yours" if drill.membership_id == member.pk else "Theirs",
        ),
        **player_context(member, drill.track, analysis, reference_copy(drill.track)),
    }
    return render(request, "practice/result.html", context)


def _lines(drill: Drill) -> list[ResultLine]:
    """Every slot of the convention in order."""
    grid = MusicalTime.of(drill.sheet.analysis.result)
    slots = {slot.number: slot for slot in drill.sheet.convention_version.slots.all()}
    sheet = {marker.slot: marker for marker in drill.sheet.markers.all()}
    yours = {marker.slot: marker for marker in _yours(drill)}
    scores = {score.slot: score for score in drill.scores.all()}
    lines = []
    for number, slot in slots.items():
        score = scores.get(number)
        if score is None:
            lines.append(ResultLine(slot, "empty", "", "", "left empty, as on the sheet", None, None, hear=False))
            continue
        state, tone = TONES[score.miss]
        same = score.off_us == 0 and not score.length_off_beats
        kind = "kept" if same else {"missing": "added", "extra": "dropped"}.get(score.miss, "moved")
        lines.append(
            ResultLine(
                slot=slot,
                kind=kind,
                state=state,
                tone=tone,
                words=miss_words(score, grid, slots, sheet, yours),
                yours=place_in(grid, yours.get(number)),
                sheet=place_in(grid, sheet.get(number)),
                hear=not same,
            )
        )
    return lines


urlpatterns = [
    path("practice/drills/<uuid:drill_id>/", drill_page, name="drill"),
    path("practice/drills/<uuid:drill_id>/keep/", drill_keep, name="drill-keep"),
]
