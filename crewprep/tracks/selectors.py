"""Reading tracks."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from django.db.models import QuerySet

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.tracks.models import Copy, Track


def tracks_of(member: Membership) -> QuerySet[Track]:
    """The crew's library; without what was folded into another track."""
    return Track.objects.filter(crew=member.crew, same_as=None).order_by("title", "created_at")


def track_for(member: Membership, track_id: UUID) -> Track:
    """The only way for a request to reach a track; raises ``NotFound`` for another crew's as for none."""
    track = Track.objects.filter(crew=member.crew, pk=track_id).first()
    if track is None:
        raise NotFound
    return track


def reference_copy(track: Track) -> Copy:
    """The copy that was analysed; of a folded track, that of the track it was folded into."""
    return Copy.objects.get(track=track.same_as_id or track.pk, is_reference=True)


def reference_copies(track_ids: Iterable[UUID]) -> dict[UUID, Copy]:
    """The analysed copies of several tracks; none for a folded one."""
    return {copy.track_id: copy for copy in Copy.objects.filter(track__in=list(track_ids), is_reference=True)}


def time_zero_copy(track: Track) -> Copy:
    """The copy whose first sample is time zero: the first that was analysed, also where a better one took its place."""
    copies = Copy.objects.filter(track=track.same_as_id or track.pk, timeline_frames=None)
    return copies.exclude(pcm_sha256="").order_by("-is_reference", "created_at").first() or reference_copy(track)


def copies_of(track: Track) -> list[Copy]:
    """The track's copies, the reference copy first."""
    return list(track.copies.order_by("-is_reference", "-created_at"))
