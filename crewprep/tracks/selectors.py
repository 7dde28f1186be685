"""Reading tracks."""

from __future__ import annotations

from uuid import UUID

from django.db.models import QuerySet

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.tracks.models import Copy, Track


def tracks_of(member: Membership) -> QuerySet[Track]:
    """The crew's library."""
    return Track.objects.filter(crew=member.crew).order_by("title", "created_at")


def track_for(member: Membership, track_id: UUID) -> Track:
    """The only way for a request to reach a track; raises ``NotFound`` for another crew's as for none."""
    track = Track.objects.filter(crew=member.crew, pk=track_id).first()
    if track is None:
        raise NotFound
    return track


def reference_copy(track: Track) -> Copy:
    """The copy whose decode sets time zero."""
    return track.copies.get(is_reference=True)
