"""Who holds a track: claim, release, take over and assign, each a form on the track's page."""

from __future__ import annotations

from typing import Any, TypedDict
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError, Invalid, NotFound
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.crews.selectors import members_of
from crewprep.preparation.models import Claim
from crewprep.preparation.selectors import live_claim
from crewprep.preparation.services import assign_track, claim_track, release_track, take_over
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import track_for
from crewprep.web.doors import crew_page, wants_json
from crewprep.web.typed import number_of

WARN_S = 10 * 60
"""How long before a hold lapses its holder is warned."""


class Held(TypedDict):
    """One's own hold on a track for a script: the seconds left (None where one does not hold it), and until when."""

    held_for: int | None
    until: str


@crew_page
@require_POST
def claim_page(request: HttpRequest, member: Membership, crate_id: UUID, track_id: UUID) -> HttpResponseBase:
    """Do what one of the buttons says, and show the track again; a refusal is a sentence on that page.

    A script gets the hold as ``Held`` instead, with the words in ``detail``.
    """
    crate, track = crate_for(member, crate_id), track_for(member, track_id)
    try:
        words = _do(member, track, request.POST.dict())
        if wants_json(request):
            return JsonResponse({**held_data(member, track), "detail": words})
        messages.success(request, words)
    except NotFound:
        raise
    except DomainError as error:
        if wants_json(request):
            raise
        messages.error(request, error.sentence)
    return redirect("track-page", member.crew.slug, crate.pk, track.pk)


def held_data(member: Membership, track: Track) -> Held:
    """One's own hold on the track, or none."""
    return _held(member, live_claim(track))


def claim_context(member: Membership, track: Track, crate_id: UUID) -> dict[str, Any]:
    """What ``tracks/_claim.html`` shows."""
    claim = live_claim(track)
    held = _held(member, claim)
    return {
        "claim": claim,
        "claim_mine": held["held_for"] is not None,
        "claim_held": held,
        "claim_lapsing": held["held_for"] is not None and held["held_for"] <= WARN_S,
        "claim_warn_s": WARN_S,
        "claim_url": reverse("track-claim", args=[member.crew.slug, crate_id, track.pk]),
        "claim_members": members_of(member) if may_lead(member) else [],
    }


def _held(member: Membership, claim: Claim | None) -> Held:
    if claim is None or claim.holder_id != member.user_id:
        return {"held_for": None, "until": ""}
    left = int((claim.until - timezone.now()).total_seconds())
    return {"held_for": left, "until": timezone.localtime(claim.until).strftime("%H:%M")}


def _do(member: Membership, track: Track, posted: dict[str, str]) -> str:
    note = posted.get("note", "")
    match posted.get("do"):
        case "claim":
            claim_track(member=member, track=track)
            return "You hold this track for two hours; each change starts them anew."
        case "release":
            return "The track is free." if release_track(member=member, track=track) else "Nobody held the track."
        case "take-over":
            seen = posted.get("seen_holder", "")
            holder = number_of(seen)
            take_over(member=member, track=track, seen_holder=holder, note=note)
            return "The track is yours; your note stands with it."
        case "assign":
            to = next((one for one in members_of(member) if str(one.pk) == posted.get("to")), None)
            if to is None:
                raise Invalid("malformed", detail="choose a member of the crew.")
            assign_track(member=member, track=track, to=to, note=note)
            return f"{to.user} holds the track now."
    raise Invalid("malformed", detail="choose what to do with the track.")


urlpatterns = [
    path("crates/<uuid:crate_id>/tracks/<uuid:track_id>/claim/", claim_page, name="track-claim"),
]
