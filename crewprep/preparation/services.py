"""Claim a track, renew, release, take over, assign.

Each is one statement that names what it expects, so that of two rivals one wins and the other is told who did. A claim
lapses by itself after two idle hours; keeping one's work renews it, and begins one where nobody holds the track.
"""

from __future__ import annotations

import contextlib
import datetime as dt

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead, may_prepare
from crewprep.preparation.estimate import CrewFactor
from crewprep.preparation.models import Assignment, Claim
from crewprep.preparation.selectors import estimates_of, held_by_another
from crewprep.preparation.times import note_work, settle_time
from crewprep.sheets.keeping import Work, keep_sheet
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Track

CLAIM_FOR = dt.timedelta(hours=2)


def claim_track(*, member: Membership, track: Track) -> Claim:
    """Hold a track for two hours; one's own claim is renewed.

    Raises ``Conflict`` with ``claim:held`` where another member holds it.
    """
    may_prepare(member).require()
    now = timezone.now()
    with transaction.atomic():
        mine = Claim.objects.filter(track=track, holder=member.user, until__gt=now)
        if mine.update(until=now + CLAIM_FOR):
            note_work(track, at=now)
            return Claim.objects.get(track=track)
        lapsed = Claim.objects.filter(track=track, until__lte=now)
        if not lapsed.update(holder=member.user, since=now, until=now + CLAIM_FOR, note=""):
            try:
                with transaction.atomic():
                    Claim.objects.create(
                        crew_id=track.crew_id, track=track, holder=member.user, since=now, until=now + CLAIM_FOR
                    )
            except IntegrityError as error:
                raise held(track) from error
        claim = Claim.objects.get(track=track)
        record(actor=member.user, verb="track claimed", subject=claim, track=track.title)
        note_work(track, at=now)
    return claim


def release_track(*, member: Membership, track: Track) -> bool:
    """Let a track go: its holder, or a lead; False where nobody held it. Raises ``Refused`` for others."""
    with transaction.atomic():
        claim = Claim.objects.filter(track=track).first()
        if claim is None:
            return False
        if claim.holder_id != member.user_id:
            may_lead(member).require()
        if not Claim.objects.filter(pk=claim.pk, since=claim.since).delete()[0]:
            return False
        record(actor=member.user, verb="track released", subject=claim, track=track.title)
    return True


def take_over(*, member: Membership, track: Track, seen_holder: int, note: str) -> Claim:
    """Take a track from the member (the id of the user) who was seen to hold it, with a word to them.

    Raises ``Invalid`` without a note, ``Conflict`` where somebody else holds it by now.
    """
    may_prepare(member).require()
    if not note.strip():
        raise Invalid("claim:note-missing")
    now = timezone.now()
    with transaction.atomic():
        seen = Claim.objects.filter(track=track, holder=seen_holder)
        if not seen.update(holder=member.user, since=now, until=now + CLAIM_FOR, note=note.strip()[:200]):
            raise Conflict("claim:moved-on")
        claim = Claim.objects.get(track=track)
        record(
            actor=member.user, verb="track taken over", subject=claim, track=track.title, note=note.strip()[:200],
            former=seen_holder,
        )  # fmt: skip
    return claim


def assign_track(*, member: Membership, track: Track, to: Membership, note: str = "") -> Claim:
    """Give a track to a member of the crew (leads), whoever holds it. Raises ``Refused``."""
    may_lead(member).require()
    now = timezone.now()
    with transaction.atomic():
        former = Claim.objects.filter(track=track, until__gt=now).values_list("holder_id", flat=True).first()
        claim, _ = Claim.objects.update_or_create(
            track=track,
            defaults={
                "crew_id": track.crew_id, "holder": to.user, "since": now, "until": now + CLAIM_FOR,
                "note": note.strip()[:200],
            },
        )  # fmt: skip
        record(
            actor=member.user, verb="track assigned", subject=claim, track=track.title, person=to.user_id,
            former=former,
        )  # fmt: skip
    return claim


def keep_work(
    *, member: Membership, track: Track, version: ConventionVersion, work: Work, seen_revision: int
) -> KeptSheet:
    """Keep unproposed work, which renews one's claim, or begins one where nobody holds the track."""
    kept = keep_sheet(member=member, track=track, version=version, work=work, seen_revision=seen_revision)
    if held_by_another(member, track) is None:
        # Somebody may claim it in this very moment; the page says so when it is opened next.
        with contextlib.suppress(Conflict):
            claim_track(member=member, track=track)
    return kept


def drop_assignments(member: Membership) -> None:
    """Nothing is the member's to do in the crew any more; called inside the transaction that ends the membership."""
    mine = Assignment.objects.filter(crew=member.crew)
    mine.filter(preparer=member.user).update(preparer=None)
    mine.filter(reviewer=member.user).update(reviewer=None)


def renew_by_work(member: Membership, track: Track) -> None:
    """Work that is no change of markers renews one's own claim; it begins none."""
    now = timezone.now()
    if Claim.objects.filter(track=track, holder=member.user, until__gt=now).update(until=now + CLAIM_FOR):
        note_work(track, at=now)


def require_free(member: Membership, track: Track) -> None:
    """Raises ``Conflict`` where another member holds the track."""
    if held_by_another(member, track) is not None:
        raise held(track)


def let_go_after_proposing(member: Membership, track: Track) -> None:
    """A proposed track needs no holder any more, and its time is taken; called inside the proposal's transaction."""
    Claim.objects.filter(track=track, holder=member.user).delete()
    crate = (
        Crate.objects.filter(places__track=track).select_related("convention_version").order_by("-created_at").first()
    )
    if crate is not None:
        expected = estimates_of([track.pk], crate.convention_version, CrewFactor())[track.pk]
        settle_time(track, at=timezone.now(), expected_minutes=expected.plain)


def held(track: Track) -> Conflict:
    """The refusal that names the holder."""
    claim = Claim.objects.select_related("holder").filter(track=track).first()
    if claim is None:
        return Conflict("claim:moved-on")
    return Conflict("claim:held", by=str(claim.holder), until=timezone.localtime(claim.until).strftime("%H:%M"))
