"""The track page keeps what is done on it: a script sends the markers every few seconds while they change."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.urls import path
from django.views.decorators.http import require_POST

from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.selectors import convention_version_for
from crewprep.crews.models import Membership
from crewprep.preparation.services import keep_work
from crewprep.sheets.checking import findings_of
from crewprep.sheets.keeping import Work, kept_sheet
from crewprep.sheets.markers import markers_from_json
from crewprep.tracks.selectors import track_for
from crewprep.web.check_parts import findings_data
from crewprep.web.claims import held_data
from crewprep.web.desk import kept_data
from crewprep.web.doors import crew_page


@crew_page
@require_POST
def track_keep(request: HttpRequest, member: Membership, track_id: UUID, version_id: UUID) -> HttpResponseBase:
    """Keep the markers and the note; answers the new revision, what the house checks find and one's hold, or 409 with
    what another window has kept."""
    track, version = track_for(member, track_id), convention_version_for(member, version_id)
    posted = request.POST
    seen = posted.get("seen", "")
    if not (seen.isascii() and seen.isdecimal()) or len(seen) > 9:
        raise Invalid("malformed", detail="it does not say which revision was seen.")
    work = Work(markers_from_json(posted.get("markers", "")), posted.get("note", ""), posted.get("begun_from", ""))
    try:
        kept = keep_work(member=member, track=track, version=version, work=work, seen_revision=int(seen))
    except Conflict as error:
        other = kept_data(kept_sheet(member, track, version))
        return JsonResponse({"code": error.code, "detail": error.sentence, "kept": other}, status=error.status)
    analysis = current_analysis(track)
    found = [] if analysis is None else findings_of(member.crew, work.markers, version, analysis.result)
    return JsonResponse({"revision": kept.revision, "findings": findings_data(found), **held_data(member, track)})


urlpatterns = [path("tracks/<uuid:track_id>/keep/<uuid:version_id>/", track_keep, name="track-keep")]
