"""House checks: how severe the crew takes each, and which sheets of the library break them."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from crewprep.common.errors import DomainError
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.exchange.audit_csv import audit_file
from crewprep.library.audit import audit
from crewprep.sheets.checking import set_severities
from crewprep.sheets.house_checks import CHECKS, SEVERITIES
from crewprep.web.check_parts import NAMES, TONES
from crewprep.web.doors import crew_page
from crewprep.web.words import count_of

LINES_A_PAGE = 50


@crew_page
def checks_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The checks with their counts, and the sheets that break them; a POST by a lead sets the severities."""
    if request.method == "POST":
        given = {check.code: request.POST.get(check.code, "") for check in CHECKS}
        try:
            changed = set_severities(member=member, severities=given)
        except DomainError as error:
            messages.error(request, error.sentence)
        else:
            messages.success(request, f"{count_of(changed, 'check').capitalize()} changed.")
        return redirect("checks", member.crew.slug)
    check, severity = request.GET.get("check", ""), request.GET.get("severity", "")
    found = audit(member, check=check, severity=severity)
    shown = Paginator(found.lines, LINES_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "member": member,
        "current": "checks",
        "audit": found,
        "most": max([1, *(count.sheets for count in found.counts)]),
        "shown": shown,
        "places": newest_places(member, [line.sheet.track_id for line in shown]),
        "check": check,
        "check_name": NAMES.get(check, ""),
        "severity": severity,
        "severities": SEVERITIES,
        "names": NAMES,
        "tones": TONES,
        "may_lead": may_lead(member),
        "query": request.GET.urlencode(),
    }
    return render(request, "checks/checks.html", context)


@crew_page
@require_safe
def checks_export(request: HttpRequest, member: Membership) -> HttpResponse:
    """The same lines as a file of comma separated values."""
    found = audit(member, check=request.GET.get("check", ""), severity=request.GET.get("severity", ""))
    return HttpResponse(
        audit_file(found),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="house-checks.csv"'},
    )


urlpatterns = [
    path("checks/", checks_page, name="checks"),
    path("checks/sheets.csv", checks_export, name="checks-csv"),
]
