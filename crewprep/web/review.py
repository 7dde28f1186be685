"""The queue, and a proposal with its verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_GET, require_POST

from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.onboarding.sights import see_markers
from crewprep.review.again import reopen_proposal
from crewprep.review.content import digest_of
from crewprep.review.lifecycle import PENDING
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.options import options_of
from crewprep.review.rules import may_amend, may_reopen, may_review, may_withdraw
from crewprep.review.seen import heard_before, last_verdict
from crewprep.review.selectors import markers_before, merge_of, pending_proposal, proposal_for
from crewprep.review.services import RemarkInput, give_approval, return_proposal, withdraw_proposal
from crewprep.sheets.checking import findings_of
from crewprep.tracks.selectors import reference_copy
from crewprep.web.asking import asking_context
from crewprep.web.check_parts import findings_data
from crewprep.web.doors import crew_page
from crewprep.web.merge_lines import merge_lines
from crewprep.web.review_lines import next_to_review, place_of, queue, slot_lines
from crewprep.web.track_parts import player_context, rows_context
from crewprep.web.typed import number_of


@crew_page
@require_GET
def queue_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Open proposals, oldest first."""
    number = request.GET.get("page", "")
    found = queue(member, number_of(number, otherwise=1))
    return render(
        request,
        "review/queue.html",
        {
            "member": member,
            "current": "queue",
            "lines": found.lines,
            "found": found,
            "yours": found.yours,
            "put_to_you": found.put_to_you,
            "page_before": found.page - 1,
            "page_after": found.page + 1 if found.page < found.pages else 0,
            "at_all": may_review_at_all(member),
            "options": options_of(member.crew),
        },
    )


@crew_page
@require_GET
def proposal_page(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Old and new by slot, drawn and listed; listen, and give a verdict."""
    return show_proposal(request, member, proposal_for(member, proposal_id))


@crew_page
@require_POST
def verdict(request: HttpRequest, member: Membership, proposal_id: UUID) -> HttpResponseBase:
    """Approve, return or withdraw what was seen; a refusal keeps every word that was typed."""
    proposal = proposal_for(member, proposal_id)
    note = request.POST.get("note", "")
    typed = remarks_of(request, proposal)
    remarks = [RemarkInput(slot, text) for slot, text in typed.items()]
    title = proposal.track.title
    try:
        seen, heard = revision_of(request), heard_of(request)
        match request.POST.get("do"):
            case "approve":
                if any(remark.text.strip() for remark in remarks):
                    raise Invalid("proposal:approve-with-remarks")
                sheet = give_approval(
                    member=member, proposal=proposal, seen_revision=seen, note=note, heard=heard,
                    seen_digest=request.POST.get("seen_digest", ""),
                )  # fmt: skip
                said = f"has sheet version {sheet.number} now." if sheet else "waits for a second reviewer's approval."
                messages.success(request, f"Approved: “{title}” {said}")
            case "return":
                return_proposal(
                    member=member, proposal=proposal, seen_revision=seen, note=note, remarks=remarks, heard=heard
                )
                messages.success(request, f"Returned: “{title}” goes back with your remarks.")
            case "withdraw":
                withdraw_proposal(member=member, proposal=proposal, seen_revision=seen)
                messages.success(request, f"Withdrawn: “{title}” is free for another proposal.")
                return redirect("queue", member.crew.slug)
            case "reopen":
                reason = request.POST.get("override_reason")
                reopen_proposal(member=member, proposal=proposal, seen_revision=seen, override_reason=reason)
                messages.success(request, f"Opened again: “{title}” waits for a review.")
                return redirect("proposal", member.crew.slug, proposal.pk)
            case _:
                raise Invalid("malformed", detail="choose approve, return, withdraw or open again.")
    except DomainError as error:
        now = proposal_for(member, proposal_id)
        return show_proposal(request, member, now, refused=error, note=note, typed=typed, heard=heard_of(request))
    following = next_to_review(member, after=proposal)
    if following is None:
        return redirect("queue", member.crew.slug)
    return redirect("proposal", member.crew.slug, following.pk)


def show_proposal(
    request: HttpRequest,
    member: Membership,
    proposal: Proposal,
    *,
    refused: DomainError | None = None,
    refused_slot: int = 0,
    note: str = "",
    typed: dict[int, str] | None = None,
    heard: Sequence[int] = (),
    choices: Mapping[int, str] | None = None,
) -> HttpResponseBase:
    """The page of a proposal; after a refusal with its sentence (at a slot, where it is about one) and everything that
    was typed, chosen or heard."""
    see_markers(member, proposal.track_id)
    typed = typed or {}
    is_open, is_pending = proposal.state == ProposalState.OPEN, proposal.state in PENDING
    found = findings_of(member.crew, proposal.markers.all(), proposal.convention_version, proposal.analysis.result)
    seen = last_verdict(member, proposal) if is_pending else None
    lines = slot_lines(proposal, typed=typed, seen=seen, findings=found, member=member)
    merge, before = merge_of(proposal), heard_before(seen, proposal)
    answer = may_review(member, proposal)
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
                        (f"{thread.remark.by}{of_revision(thread.remark, proposal)}", thread.remark.text)
                        for thread in line.threads
                        if thread.remark.resolved_at is None
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
            **asking_context(member, proposal),
            "findings": findings_data(found),
            "digest": digest_of(proposal, proposal.markers.all()),
            "seen": seen,
            "heard_before": sorted(before),
            "heard": sorted(before | set(heard)),
            "open_threads": sum(remark.resolved_at is None for remark in proposal.remarks.all()),
            "two_reviewers": options_of(member.crew).two_reviewers,
            "merge": merge,
            "merge_lines": merge_lines(proposal, merge, choices or {}) if merge else [],
            "may_reopen": may_reopen(member, proposal),
            "other_pending": None if is_pending else pending_proposal(proposal.track),
            "is_open": is_open,
            "is_pending": is_pending,
            "answer": answer,
            "may_amend": may_amend(member, proposal),
            "may_withdraw": may_withdraw(member, proposal),
            "refused": refused,
            "refused_slot": refused_slot,
            "note": note,
            "noted": is_open and bool(answer),
            "marker_count": len(proposal.markers.all()),
            "kept": [] if is_pending else [(slot, text) for slot, text in typed.items() if text.strip()],
        },
        status=refused.status if refused else 200,
    )


def of_revision(remark: Remark, proposal: Proposal) -> str:
    """Which revision a remark was about, where that is not the one that is shown."""
    return "" if remark.revision == proposal.revision else f" on revision {remark.revision}"


def remarks_of(request: HttpRequest, proposal: Proposal) -> dict[int, str]:
    """What was typed for each slot of the convention, with the findings that were ticked as remarks."""
    said = {}
    for slot in proposal.convention_version.slots.all():
        typed = request.POST.get(f"remark-{slot.number}", "")
        ticked = [text for text in request.POST.getlist(f"finding-{slot.number}")[:20] if text not in typed]
        said[slot.number] = " ".join([typed.strip(), *ticked]).strip() if ticked else typed
    return said


def heard_of(request: HttpRequest) -> list[int]:
    """The slots that the page saw being played; what cannot be read is nothing heard."""
    numbers = request.POST.get("heard", "").split(",")
    return [int(number) for number in numbers[:64] if number.isascii() and number.isdecimal() and len(number) < 4]


def revision_of(request: HttpRequest) -> int:
    """The revision that the form showed; raises ``Invalid``."""
    text = request.POST.get("seen_revision", "")
    if not text.isdecimal() or len(text) > 9:
        raise Invalid("malformed", detail="it does not say which revision was seen.")
    return int(text)


urlpatterns = [
    path("queue/", queue_page, name="queue"),
    path("proposals/<uuid:proposal_id>/", proposal_page, name="proposal"),
    path("proposals/<uuid:proposal_id>/verdict/", verdict, name="proposal-verdict"),
]
