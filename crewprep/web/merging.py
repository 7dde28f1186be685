"""Merging a proposal with a sheet that was approved meanwhile: a form on the proposal's page."""

from __future__ import annotations

from typing import get_args
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect
from django.urls import path
from django.views.decorators.http import require_POST

from analysis_worker.core.convention import MAX_SLOTS
from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.review.again import merge_proposal
from crewprep.review.merging import Side
from crewprep.review.selectors import proposal_for
from crewprep.web.doors import crew_page
from crewprep.web.review import revision_of, show_proposal


@crew_page
@require_POST
def merge_page(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Merge as was chosen; a refusal keeps what was chosen."""
    proposal = proposal_for(member, proposal_id)
    choices = _choices(request)
    try:
        sheet = request.POST.get("seen_sheet", "")
        if not sheet.isascii() or not sheet.isdecimal() or len(sheet) > 9:
            raise Invalid("malformed", detail="it does not say which sheet was seen.")
        merge_proposal(
            member=member, proposal=proposal, seen_revision=revision_of(request), seen_sheet=int(sheet),
            choices=choices, override_reason=request.POST.get("override_reason", proposal.override_reason),
        )  # fmt: skip
    except DomainError as error:
        now = proposal_for(member, proposal_id)
        return show_proposal(request, member, now, refused=error, choices=choices)
    messages.success(request, f"Merged: the proposal starts from sheet version {sheet} now and waits for a review.")
    return redirect("proposal", member.crew.slug, proposal.pk)


def _choices(request: HttpRequest) -> dict[int, Side]:
    """Which side was chosen for which slot."""
    chosen: dict[int, Side] = {}
    for number in range(1, MAX_SLOTS + 1):
        side = request.POST.get(f"take-{number}")
        if side in get_args(Side):
            chosen[number] = side  # type: ignore[assignment]  # one of the two words
    return chosen


urlpatterns = [path("proposals/<uuid:proposal_id>/merge/", merge_page, name="proposal-merge")]
