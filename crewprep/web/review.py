"""The queue, and a proposal with its verdict."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_GET, require_POST

from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.rules import may_amend, may_review, may_withdraw
from crewprep.review.selectors import markers_before, proposal_for
from crewprep.review.services import RemarkInput, approve_proposal, return_proposal, withdraw_proposal
from crewprep.sheets.checking import findings_of
from crewprep.tracks.selectors import reference_copy
from crewprep.web.check_parts import findings_data
from crewprep.web.doors import crew_page
from crewprep.web.review_lines import next_to_review, place_of, queue, slot_lines
from crewprep.web.track_parts import player_context, rows_context


@crew_page
@require_GET
def queue_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Open proposals, oldest first."""
    lines = queue(member)
    return render(
        request,
        "review/queue.html",
        {
            "member": member,
            "current": "queue",
            "lines": lines,
            "yours": sum(bool(line.answer) for line in lines),
            "at_all": may_review_at_all(member),
        },
    )


@crew_page
@require_GET
def proposal_page(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Old and new by slot, drawn and listed; listen, and give a verdict."""
    return _page(request, member, proposal_for(member, proposal_id))


@crew_page
@require_POST
def verdict(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Approve, return or withdraw what was seen; a refusal keeps every word that was typed."""
    proposal = proposal_for(member, proposal_id)
    note = request.POST.get("note", "")
    typed = _remarks(request, proposal)
    remarks = [RemarkInput(slot, text) for slot, text in typed.items()]
    title = proposal.track.title
    try:
        seen, heard = _revision(request), _heard(request)
        match request.POST.get("do"):
            case "approve":
                if any(remark.text.strip() for remark in remarks):
                    raise Invalid("proposal:approve-with-remarks")
                sheet = approve_proposal(member=member, proposal=proposal, seen_revision=seen, note=note, heard=heard)
                messages.success(request, f"Approved: “{title}” has sheet version {sheet.number} now.")
            case "return":
                return_proposal(
                    member=member, proposal=proposal, seen_revision=seen, note=note, remarks=remarks, heard=heard
                )
                messages.success(request, f"Returned: “{title}” goes back with your remarks.")
            case "withdraw":
                withdraw_proposal(member=member, proposal=proposal, seen_revision=seen)
                messages.success(request, f"Withdrawn: “{title}” is free for another proposal.")
                return redirect("queue", member.crew.slug)
            case _:
                raise Invalid("malformed", detail="choose approve, return or withdraw.")
    except DomainError as error:
        now = proposal_for(member, proposal_id)
        return _page(request, member, now, refused=error, note=note, typed=typed)
    following = next_to_review(member, after=proposal)
    if following is None:
        return redirect("queue", member.crew.slug)
    return redirect("proposal", member.crew.slug, following.pk)


def _page(
    request: HttpRequest,
    member: Membership,
    proposal: Proposal,
    *,
    refused: DomainError | None = None,
    note: str = "",
    typed: dict[int, str] | None = None,
) -> HttpResponseBase:
    typed = typed or {}
    is_open = proposal.state == ProposalState.OPEN
    lines = slot_lines(proposal, typed=typed)
    # A marker that stays where it was needs no ghost behind it.
    left = {line.slot.number for line in lines if line.kind in ("moved", "dropped")}
    return render(
        request,
        "review/proposal.html",
        {
            "member": member,
            "current": "queue",
            "proposal": proposal,
            "track": proposal.track,
            "lines": lines,
            "differs": bool(left),
            "place": place_of(proposal),
            **rows_context(
                analysis=proposal.analysis,
                version=proposal.convention_version,
                markers=list(proposal.markers.all()),
                old_markers=[marker for marker in markers_before(proposal) if marker.slot in left],
                kept={line.slot.number for line in lines if line.kind == "kept"},
                remarks={
                    line.slot.number: [
                        (f"{remark.by}{of_revision(remark, proposal)}", remark.text) for remark in line.remarks
                    ]
                    for line in lines
                },
                changes={
                    line.slot.number: line.words.removeprefix("moved ")
                    for line in lines
                    if line.kind in ("moved", "added", "dropped")
                },
                target="#slot-",
            ),
            **player_context(member, proposal.track, proposal.analysis, reference_copy(proposal.track)),
            "findings": findings_data(
                findings_of(member.crew, proposal.markers.all(), proposal.convention_version, proposal.analysis.result)
            ),
            "is_open": is_open,
            "is_pending": proposal.state in (ProposalState.OPEN, ProposalState.RETURNED),
            "answer": may_review(member, proposal),
            "may_amend": may_amend(member, proposal),
            "may_withdraw": may_withdraw(member, proposal),
            "refused": refused,
            "note": note,
            "marker_count": len(proposal.markers.all()),
            "kept": [(slot, text) for slot, text in typed.items() if text.strip()],
        },
        status=refused.status if refused else 200,
    )


def of_revision(remark: Remark, proposal: Proposal) -> str:
    """Which revision a remark was about, where that is not the one that is shown."""
    return "" if remark.revision == proposal.revision else f" on revision {remark.revision}"


def _remarks(request: HttpRequest, proposal: Proposal) -> dict[int, str]:
    """What was typed for each slot of the convention."""
    return {
        slot.number: request.POST.get(f"remark-{slot.number}", "") for slot in proposal.convention_version.slots.all()
    }


def _heard(request: HttpRequest) -> list[int]:
    """The slots that the page saw being played; what cannot be read is nothing heard."""
    numbers = request.POST.get("heard", "").split(",")
    return [int(number) for number in numbers[:64] if number.isascii() and number.isdecimal() and len(number) < 4]


def _revision(request: HttpRequest) -> int:
    text = request.POST.get("seen_revision", "")
    if not text.isdecimal() or len(text) > 9:
        raise Invalid("malformed", detail="it does not say which revision was seen.")
    return int(text)


urlpatterns = [
    path("queue/", queue_page, name="queue"),
    path("proposals/<uuid:proposal_id>/", proposal_page, name="proposal"),
    path("proposals/<uuid:proposal_id>/verdict/", verdict, name="proposal-verdict"),
]
