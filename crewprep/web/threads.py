"""Threads on a marker: a reply, and settling a remark. With scripts the thread alone is drawn anew."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError
from crewprep.crews.models import Membership
from crewprep.review.models import Proposal
from crewprep.review.rules import may_resolve
from crewprep.review.selectors import proposal_for, remark_for
from crewprep.review.threads import reply_to_remark, settle_remark
from crewprep.web.doors import crew_page
from crewprep.web.review_lines import Thread


@crew_page
@require_POST
def thread_page(request: HttpRequest, member: Membership, proposal_id: UUID, remark_id: UUID) -> HttpResponseBase:
    """Reply, settle or open again, as the button says; a refusal stands in the thread and keeps the words."""
    proposal = proposal_for(member, proposal_id)
    remark = remark_for(member, proposal, remark_id)
    refused: DomainError | None = None
    try:
        if request.POST.get("do") in ("settle", "open"):
            settle_remark(member=member, remark=remark, resolved=request.POST["do"] == "settle")
        else:
            reply_to_remark(member=member, remark=remark, text=request.POST.get("text", ""))
    except DomainError as error:
        refused = error
    if getattr(request, "htmx", False):
        return _fragment(request, member, proposal, remark_id, refused)
    if refused is not None:
        messages.error(request, refused.sentence)
    return redirect(f"{reverse('proposal', args=[member.crew.slug, proposal.pk])}#thread-{remark.pk}")


def _fragment(
    request: HttpRequest, member: Membership, proposal: Proposal, remark_id: UUID, refused: DomainError | None
) -> HttpResponseBase:
    remark = remark_for(member, proposal, remark_id)
    context = {
        "member": member,
        "proposal": proposal,
        "thread": Thread(remark, may_resolve(member, remark)),
        "refused": refused,
        "typed": request.POST.get("text", "") if refused else "",
        "fresh": True,
    }
    return render(request, "review/_thread.html", context)


urlpatterns = [
    path("proposals/<uuid:proposal_id>/remarks/<uuid:remark_id>/", thread_page, name="remark"),
]
