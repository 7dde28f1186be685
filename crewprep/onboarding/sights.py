"""Which tracks a newcomer has seen markers of.

Called by every page and answer that shows some, so that a drill is never on one of these tracks.
"""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from crewprep.crews.models import Membership, Role
from crewprep.onboarding.models import Sight


def note_sight(member: Membership, track_ids: Iterable[UUID]) -> None:
    """Note that a newcomer sees markers of these tracks, in one statement; nothing for leads and residents, whom nobody
    signs off. The tracks are of the member's crew."""
    if member.role != Role.NEWCOMER:
        return
    seen = [Sight(crew_id=member.crew_id, membership=member, track_id=track_id) for track_id in sorted(set(track_ids))]
    Sight.objects.bulk_create(seen, ignore_conflicts=True)
