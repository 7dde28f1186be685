"""How the crew reviews: two reviewers or one, bulk approval, and the moves of a proposal as a table."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.review.lifecycle import MOVES, SAYINGS
from crewprep.review.models import ProposalState
from crewprep.review.options import options_of, set_options
from crewprep.web.doors import crew_page


@crew_page
def review_options(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The options and the table of moves; a POST by a lead sets the options."""
    refused: DomainError | None = None
    if request.method == "POST":
        try:
            set_options(
                member=member,
                two_reviewers=request.POST.get("two_reviewers") == "on",
                bulk_confidence=_confidence(request.POST.get("bulk_confidence", "")),
            )
            messages.success(request, "Set. Proposals that are open follow it from now on.")
            return redirect("review-options", member.crew.slug)
        except DomainError as error:
            refused = error
    options = options_of(member.crew)
    per_cent = "" if options.bulk_confidence is None else f"{options.bulk_confidence * 100:g}"
    context: dict[str, Any] = {
        "member": member,
        "current": "queue",
        "two_reviewers": request.POST.get("two_reviewers") == "on" if refused else options.two_reviewers,
        "per_cent": request.POST.get("bulk_confidence", "") if refused else per_cent,
        "moves": [
            {
                "name": name.capitalize(),
                "sources": _states(move.sources),
                "target": str(move.target.label).lower(),
                "who": move.who,
                "when": move.when,
            }
            for name, move in MOVES.items()
        ],
        "sayings": [
            {
                "name": name.capitalize(),
                "states": "any" if len(saying.states) == len(ProposalState) else _states(saying.states),
                "who": saying.who,
                "when": saying.when,
            }
            for name, saying in SAYINGS.items()
        ],
        "may_lead": may_lead(member),
        "refused": refused,
    }
    return render(request, "review/options.html", context, status=refused.status if refused else 200)


def _states(states: Iterable[ProposalState]) -> str:
    return " or ".join(str(state.label) for state in states).lower()


def _confidence(text: str) -> float | None:
    """Per cent as typed, None for an empty field; raises ``Invalid``."""
    text = text.strip().removesuffix("%").strip().replace(",", ".")
    if not text:
        return None
    try:
        return float(text) / 100
    except ValueError as error:
        raise Invalid("review:confidence") from error


urlpatterns = [path("queue/options/", review_options, name="review-options")]
