"""Moving a crate to another version of the convention: what would change for its tracks, then the move."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import Conflict
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.selectors import convention_version_for, versions_of
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.review.selectors import pending_in_crate
from crewprep.sheets.affected import effect_on_crate
from crewprep.sheets.publishing import move_crate
from crewprep.web.convention_draft import effect_context
from crewprep.web.convention_words import change_lines
from crewprep.web.doors import crew_page
from crewprep.web.typed import uuid_of
from crewprep.web.words import count_of


@crew_page
def move_page(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """Choose a version (``?to=``) and see what it would change; a POST moves the crate there."""
    crate = crate_for(member, crate_id)
    if request.method == "POST":
        version = convention_version_for(member, uuid_of(request.POST.get("to", "")))
        seen = convention_version_for(member, uuid_of(request.POST.get("seen", "")))
        try:
            look = move_crate(member=member, crate=crate, version=version, seen_version=seen)
        except Conflict as error:
            messages.error(request, error.sentence)
            return redirect("crate-move", member.crew.slug, crate.pk)
        needs = (
            f"{count_of(look, 'sheet')} {'needs' if look == 1 else 'need'} a look"
            if look
            else "Every sheet keeps its meaning"
        )
        messages.success(request, f"“{crate.name}” follows “{version}” now. {needs}; drafts are being made.")
        return redirect("crate", member.crew.slug, crate.pk)
    pinned = crate.convention_version
    context = {
        "member": member,
        "current": "crates",
        "crate": crate,
        "others": [each for each in versions_of(member) if each != pinned],
        "may_move": may_fill_crates(member),
    }
    if request.GET.get("to"):
        version = convention_version_for(member, uuid_of(request.GET["to"]))
        context |= {
            "version": version,
            "lines": change_lines(compare_slots(pinned.slots.all(), version.slots.all())),
            "pending": pending_in_crate(crate),
            **effect_context(request, member, effect_on_crate(crate, version)),
        }
    return render(request, "crates/move.html", context)


urlpatterns = [path("<uuid:crate_id>/move/", move_page, name="crate-move")]
