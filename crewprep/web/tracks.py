"""The track page: what was measured, the phrase rows, listening, and setting the markers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET

from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, DomainError, NotFound
from crewprep.crates.models import Crate
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates, may_prepare
from crewprep.onboarding.sights import see_markers
from crewprep.review.models import Proposal, ProposalState
from crewprep.review.rules import is_author
from crewprep.review.services import amend_proposal, propose
from crewprep.sheets.checking import findings_of
from crewprep.sheets.keeping import kept_sheet
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import MarkerFields
from crewprep.tracks.models import Track, TrackState
from crewprep.tracks.selectors import reference_copy, track_for
from crewprep.web.audio import track_audio, track_clip, track_peaks
from crewprep.web.check_parts import findings_data, has_blocker
from crewprep.web.claims import claim_context
from crewprep.web.crate_rows import CrateRow, crate_row
from crewprep.web.desk import Desk, desk_for
from crewprep.web.doors import crew_page
from crewprep.web.grid import grid_context
from crewprep.web.track_parts import facts_of, player_context, rows_context, slots_data, warnings_of
from crewprep.web.typed import number_of


@crew_page
def track_page(request: HttpRequest, member: Membership, crate_id: UUID, track_id: UUID) -> HttpResponseBase:
    """A track in a crate, whose convention it is prepared by; a POST proposes the markers or changes the proposal."""
    crate, track = crate_for(member, crate_id), track_for(member, track_id)
    if track.same_as_id:
        messages.info(request, f"“{track.title}” is the same audio as this track, so the crate has this one.")
        return redirect("track-page", member.crew.slug, crate.pk, track.same_as_id)
    row = _row(crate, track)
    analysis = current_analysis(row.track)
    if row.track.state != TrackState.READY or analysis is None:
        return render(request, "tracks/waiting.html", _frame(member, crate, row))
    desk = desk_for(row.track, crate, analysis)
    if request.method != "POST":
        return _show(request, member, crate, row, desk)
    submitted: Sequence[MarkerInput] | None = None
    try:
        submitted = desk.read(request.POST.dict())
        proposal = _put_forward(member, desk, submitted, request.POST.dict())
    except DomainError as error:
        return _show(request, member, crate, row, desk, error=error, submitted=submitted)
    messages.success(request, "Proposed. It stands in the queue until another member has reviewed it.")
    return redirect("proposal", member.crew.slug, proposal.pk)


@crew_page
@require_GET
def track_state(request: HttpRequest, member: Membership, crate_id: UUID, track_id: UUID) -> HttpResponseBase:
    """Where the workers are with a track, for the page that waits; tells it to load anew once it is settled."""
    crate, track = crate_for(member, crate_id), track_for(member, track_id)
    if track.same_as_id:
        return HttpResponse(headers={"HX-Refresh": "true"})
    row = _row(crate, track)
    response = render(request, "tracks/_state.html", _frame(member, crate, row))
    if not row.state.live and request.headers.get("HX-Request"):
        response["HX-Refresh"] = "true"
    return response


def _row(crate: Crate, track: Track) -> CrateRow:
    """How a track stands in a crate; raises ``NotFound`` where it is not in it."""
    row = crate_row(crate, track)
    if row is None:
        raise NotFound
    return row


def _put_forward(member: Membership, desk: Desk, markers: Sequence[MarkerInput], posted: dict[str, str]) -> Proposal:
    """Propose, or change the pending proposal that the page showed."""
    note, reason = posted.get("note", ""), posted.get("override_reason", "")
    seen_revision = posted.get("seen_revision", "")
    if seen_revision:
        if desk.proposal is None or str(desk.proposal.pk) != posted.get("proposal"):
            raise Conflict("proposal:moved-on")
        revision = number_of(seen_revision)
        return amend_proposal(
            member=member, proposal=desk.proposal, markers=markers, seen_revision=revision, note=note,
            override_reason=reason,
        )  # fmt: skip
    if posted.get("seen_sheet", "") != str(desk.seen_sheet):
        raise Conflict("sheet:newer")
    return propose(
        member=member, track=desk.track, convention_version=desk.version, markers=markers, note=note,
            override_reason=reason,
    )  # fmt: skip


def _show(
    request: HttpRequest,
    member: Membership,
    crate: Crate,
    row: CrateRow,
    desk: Desk,
    *,
    error: DomainError | None = None,
    submitted: Sequence[MarkerInput] | None = None,
) -> HttpResponse:
    """The page; after a refusal with everything that was typed, and the sentence."""
    see_markers(member, desk.track.pk)
    result = desk.analysis.result
    copy = reference_copy(desk.track)
    shown: Sequence[MarkerFields | MarkerInput] = desk.markers if submitted is None else submitted
    typed = request.POST.dict() if error is not None else None
    note = request.POST.get("note", "") if error is not None else (desk.proposal.note if desk.proposal else "")
    kept = kept_sheet(member, desk.track, desk.version)
    findings = findings_of(member.crew, shown if error is not None else desk.going_on(kept), desk.version, result)
    reason = (typed or {}).get("override_reason", desk.proposal.override_reason if desk.proposal else "")
    context = {
        **_frame(member, crate, row),
        "findings": findings_data(findings),
        "blocked": has_blocker(findings) or bool(reason),
        "override_reason": reason,
        **rows_context(
            analysis=desk.analysis,
            version=desk.version,
            markers=desk.markers,
            remarks=desk.said(),
            doubted=desk.warnings(),
        ),
        **player_context(member, desk.track, desk.analysis, copy),
        **grid_context(desk.analysis),
        **claim_context(member, desk.track, crate.pk),
        "grid_url": reverse("grid-fix", args=[member.crew.slug, crate.pk, row.track.pk]),
        "desk": desk,
        "lines": desk.lines(typed),
        "slots_data": slots_data(desk.version),
        "desk_data": desk.to_script(shown, kept),
        "keep_url": reverse("track-keep", args=[member.crew.slug, row.track.pk, desk.version.pk]),
        "facts": facts_of(result, copy),
        "warnings": warnings_of(desk.track, result),
        "note": note,
        "error": error,
        "may_prepare": may_prepare(member),
        "mine": desk.proposal is not None and is_author(member, desk.proposal),
        "returned": desk.proposal is not None and desk.proposal.state == ProposalState.RETURNED,
        "other_version": desk.version.pk != crate.convention_version_id,
    }
    return render(request, "tracks/track.html", context, status=error.status if error else 200)


def _frame(member: Membership, crate: Crate, row: CrateRow) -> dict[str, Any]:
    return {
        "member": member,
        "crate": crate,
        "track": row.track,
        "row": row,
        "current": "crates",
        "may_retry": bool(may_fill_crates(member)),
        "state_url": reverse("track-state", args=[member.crew.slug, crate.pk, row.track.pk]),
    }


urlpatterns = [
    path("crates/<uuid:crate_id>/tracks/<uuid:track_id>/", track_page, name="track-page"),
    path("crates/<uuid:crate_id>/tracks/<uuid:track_id>/state/", track_state, name="track-state"),
    path("tracks/<uuid:track_id>/audio/", track_audio, name="track-audio"),
    path("tracks/<uuid:track_id>/peaks/", track_peaks, name="track-peaks"),
    path("tracks/<uuid:track_id>/clip/<int:start_us>-<int:end_us>.wav", track_clip, name="track-clip"),
]
