"""The re-check list of a convention version: its sheets, why each is on it, and who closed what."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_GET, require_POST

from crewprep.common.errors import DomainError, NotFound
from crewprep.conventions.selectors import convention_version_for
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates, may_review_at_all
from crewprep.sheets.rechecks import RecheckProgress, recheck_for, recheck_progress, rechecks_of, still_right
from crewprep.web.doors import crew_page

LINES_A_PAGE = 50


@crew_page
@require_GET
def rechecks_page(request: HttpRequest, member: Membership, version_id: UUID) -> HttpResponseBase:
    """The list with how far it is, the open ones first."""
    version = convention_version_for(member, version_id)
    shown = Paginator(rechecks_of(member, version), LINES_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "member": member,
        "current": "convention",
        "version": version,
        "progress": recheck_progress(member, [version]).get(version.pk, RecheckProgress(0, 0)),
        "shown": shown,
        "places": newest_places(member, [line.track_id for line in shown], version=version),
        "may_close": may_review_at_all(member),
        "may_move": may_fill_crates(member),
    }
    return render(request, "conventions/rechecks.html", context)


@crew_page
@require_POST
def close_recheck(request: HttpRequest, member: Membership, version_id: UUID, recheck_id: UUID) -> HttpResponseBase:
    """Say with a note that a sheet is still right."""
    version, recheck = convention_version_for(member, version_id), recheck_for(member, recheck_id)
    if recheck.convention_version_id != version.pk:
        raise NotFound
    try:
        still_right(member=member, recheck=recheck, note=request.POST.get("note", ""))
    except DomainError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, f"The sheet of “{recheck.track}” stays as it is; your note is kept with it.")
    return redirect("rechecks", member.crew.slug, version.pk)


urlpatterns = [
    path("<uuid:version_id>/rechecks/", rechecks_page, name="rechecks"),
    path("<uuid:version_id>/rechecks/<uuid:recheck_id>/", close_recheck, name="recheck-close"),
]
