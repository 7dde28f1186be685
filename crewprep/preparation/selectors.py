"""Reading claims; a lapsed one is none."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.preparation.models import Claim
from crewprep.tracks.models import Track


def live_claim(track: Track) -> Claim | None:
    """Who holds a track now, or None."""
    return Claim.objects.filter(track=track, until__gt=timezone.now()).select_related("holder").first()


def live_claims(track_ids: Collection[UUID]) -> dict[UUID, Claim]:
    """Who holds which of these tracks now, in one query."""
    claims = Claim.objects.filter(track__in=track_ids, until__gt=timezone.now()).select_related("holder")
    return {claim.track_id: claim for claim in claims}


def held_by_another(member: Membership, track: Track) -> Claim | None:
    """The claim that keeps this member off a track, or None."""
    claim = live_claim(track)
    return claim if claim is not None and claim.holder_id != member.user_id else None
