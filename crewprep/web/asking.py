"""Whom the review is put to: shown on the proposal's page, and changed there."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect
from django.urls import path
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.selectors import members_of
from crewprep.review.asking import ask_reviewer, loads
from crewprep.review.lifecycle import PENDING
from crewprep.review.models import Proposal
from crewprep.review.rules import may_ask, may_review
from crewprep.review.selectors import proposal_for
from crewprep.web.doors import crew_page


@crew_page
@require_POST
def ask_page(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Put the review to the member that was chosen."""
    proposal = proposal_for(member, proposal_id)
    try:
        reviewer = next((one for one in members_of(member) if str(one.pk) == request.POST.get("reviewer")), None)
        if reviewer is None:
            raise Invalid("malformed", detail="choose a member of the crew.")
        ask_reviewer(member=member, proposal=proposal, reviewer=reviewer, seen_asked=_seen(request))
        messages.success(request, f"Put to {reviewer.user}. Whoever else may review it still may.")
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("proposal", member.crew.slug, proposal.pk)


def asking_context(member: Membership, proposal: Proposal) -> dict[str, Any]:
    """Those who may be asked, the least loaded first, for whoever may ask."""
    if proposal.state not in PENDING or not may_ask(member, proposal):
        return {"may_be_asked": []}
    return {
        "may_be_asked": [
            (one, load) for one, load in loads(member.crew).items() if may_review(one, proposal)
        ]
    }  # fmt: skip


def _seen(request: HttpRequest) -> int | None:
    text = request.POST.get("seen_asked", "")
    if not text:
        return None
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise Invalid("malformed", detail="it does not say who was asked before.")
    return int(text)


urlpatterns = [path("proposals/<uuid:proposal_id>/reviewer/", ask_page, name="proposal-ask")]
