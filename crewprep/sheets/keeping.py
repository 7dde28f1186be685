"""Keeping what a member has changed and not proposed yet, so that neither a lost window nor a second one loses it.

No activity row: this is nobody's business but the member's, and it happens every few seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone

from crewprep.common.errors import Conflict
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Track


@dataclass(frozen=True, slots=True)
class Work:
    """Markers as they are being worked on, with the note; ``begun_from`` names what they began from."""

    markers: Sequence[MarkerInput]
    note: str
    begun_from: str


def kept_sheet(member: Membership, track: Track, version: ConventionVersion) -> KeptSheet | None:
    """What this member has kept of a track, or None."""
    return KeptSheet.objects.filter(
        crew=member.crew, member=member.user, track=track, convention_version=version
    ).first()


def keep_sheet(
    *, member: Membership, track: Track, version: ConventionVersion, work: Work, seen_revision: int
) -> KeptSheet:
    """Keep the work over the revision that this window saw (0 for none); what is kept already is no conflict, as where
    an answer was lost.

    Raises ``Conflict`` with ``kept:other-window`` where another window has written since, which loses neither.
    """
    may_prepare(member).require()
    values = {
        "markers": [asdict(marker) for marker in work.markers],
        "note": work.note[:500],
        "begun_from": work.begun_from[:120],
        "changed_at": timezone.now(),
    }
    mine = {"crew": member.crew, "member": member.user, "track": track, "convention_version": version}
    try:
        with transaction.atomic():
            if seen_revision == 0:
                return KeptSheet.objects.create(**mine, **values)
            rows = KeptSheet.objects.filter(**mine, revision=seen_revision)
            if rows.update(revision=F("revision") + 1, **values):
                return KeptSheet.objects.get(**mine)
    except IntegrityError:
        pass  # kept for the first time by another window
    kept = kept_sheet(member, track, version)
    if kept is None or (kept.markers, kept.note) != (values["markers"], values["note"]):
        raise Conflict("kept:other-window")
    return kept


def let_go(member: Membership, track: Track, version: ConventionVersion) -> None:
    """Forget what was kept, as it has been proposed."""
    KeptSheet.objects.filter(crew=member.crew, member=member.user, track=track, convention_version=version).delete()
