"""Who may change what is written of a track."""

from __future__ import annotations

from crewprep.common.access import Allowed, Answer, Denied
from crewprep.crews.models import Membership, Role
from crewprep.tracks.models import Track


def may_edit_tags(member: Membership, track: Track) -> Answer:
    """Leads, residents, and whoever brought the track in."""
    if member.role in {Role.LEAD, Role.RESIDENT} or track.added_by_id == member.user_id:
        return Allowed()
    return Denied("track:tags-not-yours")
