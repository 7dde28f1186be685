"""The crew's convention: its versions, what differs between them, and each as a file."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.urls import path
from django.utils.text import slugify
from django.views.decorators.http import require_GET

from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.selectors import convention_version_for, current_version, draft_of, versions_of
from crewprep.conventions.services import STARTERS
from crewprep.conventions.sharing import write_file
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.sheets.rechecks import recheck_progress
from crewprep.web.convention_words import change_lines
from crewprep.web.doors import crew_page
from crewprep.web.typed import uuid_of


@crew_page
@require_GET
def convention_page(request: HttpRequest, member: Membership, version_id: UUID | None = None) -> HttpResponseBase:
    """The slots of one version, the current one unless another is named, and all versions."""
    version = convention_version_for(member, version_id) if version_id else current_version(member)
    versions = list(versions_of(member))
    return render(
        request,
        "conventions/convention.html",
        {
            "member": member,
            "current": "convention",
            "version": version,
            "versions": versions,
            "newest": current_version(member),
            "draft": draft_of(member),
            "progress": recheck_progress(member, versions),
            "starters": STARTERS,
            "may_lead": may_lead(member),
        },
    )


@crew_page
@require_GET
def compare_page(request: HttpRequest, member: Membership, version_id: UUID) -> HttpResponseBase:
    """What a version has otherwise than another (``?with=``), or than the one that it follows, slot by slot."""
    version = convention_version_for(member, version_id)
    named = request.GET.get("with", "")
    other = convention_version_for(member, uuid_of(named)) if named else version.follows
    lines = change_lines(compare_slots(other.slots.all(), version.slots.all())) if other else []
    context = {
        "member": member,
        "current": "convention",
        "version": version,
        "other": other,
        "others": [each for each in versions_of(member) if each != version],
        "lines": lines,
        "same": version.slots.count() - sum(line.state != "Retired" for line in lines),
    }
    return render(request, "conventions/compare.html", context)


@crew_page
@require_GET
def convention_document(request: HttpRequest, member: Membership, version_id: UUID) -> HttpResponseBase:
    """The convention as a file to keep or to share."""
    version = convention_version_for(member, version_id)
    name = slugify(version.convention.name) or "convention"
    return HttpResponse(
        write_file(version),
        content_type="application/json",
        headers={"Content-Disposition": f'attachment; filename="{name}-v{version.number}.json"'},
    )


urlpatterns = [
    path("", convention_page, name="convention"),
    path("<uuid:version_id>/", convention_page, name="convention-version"),
    path("<uuid:version_id>/compare/", compare_page, name="convention-compare"),
    path("<uuid:version_id>/document.json", convention_document, name="convention-document"),
]
