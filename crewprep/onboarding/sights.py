"""Who sees markers of which tracks: what was meant to be marked unseen stays so.

Called by every page and answer that shows some. A newcomer's sights are noted, so that a drill is never on one of these
tracks; whoever takes part in a double marking is kept from its tracks until theirs is handed in.
"""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from crewprep.common.errors import Refused
from crewprep.crews.models import Membership, Role
from crewprep.onboarding.models import BlindSheet, Sight


def note_sight(member: Membership, track_ids: Iterable[UUID]) -> None:
    """Note that a newcomer sees markers of these tracks, in one statement; nothing for leads and residents, whom nobody
    signs off. The tracks are of the member's crew."""
    if member.role != Role.NEWCOMER:
        return
    seen = [Sight(crew_id=member.crew_id, membership=member, track_id=track_id) for track_id in sorted(set(track_ids))]
    Sight.objects.bulk_create(seen, ignore_conflicts=True)


def keep_unseen(member: Membership, track_id: UUID) -> None:
    """Raise ``Refused`` with ``double:unseen-first`` while the member has still to mark the track unseen in a double
    marking."""
    waiting = BlindSheet.objects.filter(by=member.user, handed_in_at=None, double_marking__closed_at=None)
    if waiting.filter(crew=member.crew, track=track_id).exists():
        raise Refused("double:unseen-first")


def see_markers(member: Membership, track_id: UUID) -> None:
    """Let a member see the markers of one track, and note it; raises as ``keep_unseen`` does."""
    keep_unseen(member, track_id)
    note_sight(member, [track_id])
