"""Threads on a marker: beginning one, a reply, and settling a remark. With scripts the thread alone is drawn anew."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError, NotFound
from crewprep.conventions.models import Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.sights import see_markers
from crewprep.review.lifecycle import PENDING
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.rules import may_resolve, may_review
from crewprep.review.selectors import proposal_for, remark_for
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark
from crewprep.web.doors import crew_page
from crewprep.web.review import heard_of, remarks_of, revision_of, show_proposal
from crewprep.web.review_lines import Thread
from crewprep.web.typed import number_of


@dataclass(frozen=True, slots=True)
class Field:
    """Where a remark is written, as ``slot_lines`` has it on the whole page."""

    slot: Slot
    typed: str


@crew_page
@require_POST
def remarks_page(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Begin a remark on the slot that the button names, without a verdict; all else that was typed stays as it is."""
    proposal = proposal_for(member, proposal_id)
    see_markers(member, proposal.track_id)
    slots = {slot.number: slot for slot in proposal.convention_version.slots.all()}
    slot = slots.get(number_of(request.POST.get("slot", "")))
    if slot is None:
        raise NotFound
    typed = remarks_of(request, proposal)
    begun: Remark | None = None
    refused: DomainError | None = None
    try:
        begun = begin_remark(
            member=member, proposal=proposal, slot=slot.number, text=typed[slot.number],
            seen_revision=revision_of(request),
        )  # fmt: skip
        typed[slot.number] = ""
    except DomainError as error:
        refused = error
    if getattr(request, "htmx", False):
        return _begun(request, member, proposal, Field(slot, typed[slot.number]), begun, refused)
    if begun is not None:
        state = proposal.get_state_display().lower()
        messages.success(request, f"Your remark on slot {slot.number} stands; the proposal stays {state}.")
    note = request.POST.get("note", "")
    if begun is not None and not note.strip() and not any(text.strip() for text in typed.values()):
        return redirect(f"{reverse('proposal', args=[member.crew.slug, proposal.pk])}#thread-{begun.pk}")
    now = proposal_for(member, proposal_id)
    return show_proposal(
        request, member, now, refused=refused, refused_slot=slot.number if refused and now.state in PENDING else 0,
        note=note, typed=typed, heard=heard_of(request),
    )  # fmt: skip


def _begun(
    request: HttpRequest,
    member: Membership,
    proposal: Proposal,
    field: Field,
    begun: Remark | None,
    refused: DomainError | None,
) -> HttpResponseBase:
    context = {
        "member": member,
        "proposal": proposal,
        "thread": begun and Thread(begun, may_resolve(member, begun)),
        "line": field,
        "is_open": proposal.state == ProposalState.OPEN,
        "answer": may_review(member, proposal),
        "refused": refused,
        "stale": refused is not None and refused.code in ("proposal:moved-on", "proposal:wrong-state"),
    }
    return render(request, "review/_said.html", context)


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
    path("proposals/<uuid:proposal_id>/remarks/", remarks_page, name="proposal-remarks"),
    path("proposals/<uuid:proposal_id>/remarks/<uuid:remark_id>/", thread_page, name="remark"),
]
