"""Taking changes of claims back: a claim as it stood, put back only where nothing has happened since."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.crews.models import Membership
from crewprep.preparation.models import Claim
from crewprep.tracks.models import Track


@dataclass(frozen=True, slots=True)
class Hold:
    """A claim as it stood at a moment; ``holder`` is the id of a user."""

    holder: int
    since: dt.datetime
    until: dt.datetime
    note: str

    @classmethod
    def of(cls, claim: Claim) -> Hold:
        """What a claim says now."""
        return cls(claim.holder_id, claim.since, claim.until, claim.note)


def restore_claim(*, member: Membership, track: Track, now: Hold | None, before: Hold | None) -> bool:
    """Put the claim ``before`` back in place of the one that stands ``now`` (None for none); called inside a
    transaction.

    A claim that has lapsed meanwhile, or whose holder has left the crew, comes back as none. False where something else
    stands by now, and then nothing is changed.
    """
    at = timezone.now()
    if before is not None and (
        before.until <= at or not Membership.objects.filter(crew=track.crew_id, user=before.holder).exists()
    ):
        before = None
    if now is None:
        if before is None:
            return False
        Claim.objects.filter(track=track, until__lte=at).delete()
        try:
            with transaction.atomic():
                claim = _made(track, before)
        except IntegrityError:
            return False
    else:
        standing = Claim.objects.filter(track=track, holder=now.holder, since=now.since)
        if before is None:
            found = standing.first()
            if found is None or not standing.delete()[0]:
                return False
            record(actor=member.user, verb="track released", subject=found, track=track.title, undo=True)
            return True
        if not standing.update(holder=before.holder, since=before.since, until=before.until, note=before.note):
            return False
        claim = Claim.objects.get(track=track)
    record(
        actor=member.user, verb="track assigned", subject=claim, track=track.title, person=claim.holder_id, undo=True
    )
    return True


def _made(track: Track, hold: Hold) -> Claim:
    return Claim.objects.create(
        crew_id=track.crew_id, track=track, holder_id=hold.holder, since=hold.since, until=hold.until, note=hold.note
    )
