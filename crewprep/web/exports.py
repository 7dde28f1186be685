"""An approved sheet as a file."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.exchange.selectors import sheet_file_for
from crewprep.onboarding.sights import see_markers
from crewprep.web.doors import crew_page


@crew_page
@require_safe
def sheet_export(request: HttpRequest, member: Membership, track_id: UUID, form: str) -> HttpResponse:
    """The latest approved sheet, or the one that ``?version=`` names."""
    file = sheet_file_for(member, track_id, form, _version(request.GET.get("version")))
    see_markers(member, track_id)
    disposition = content_disposition_header(as_attachment=True, filename=file.name) or "attachment"
    return HttpResponse(file.content, content_type=file.media_type, headers={"Content-Disposition": disposition})


def _version(text: str | None) -> int | None:
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise NotFound("sheet:none")
    return int(text)


urlpatterns = [
    path("tracks/<uuid:track_id>/sheet.json", sheet_export, {"form": "json"}, name="sheet-json"),
    path("tracks/<uuid:track_id>/sheet.csv", sheet_export, {"form": "csv"}, name="sheet-csv"),
]
