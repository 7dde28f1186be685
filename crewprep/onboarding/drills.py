"""Begin a drill, keep its markers, hand it in, drop it; and reading drills.

Keeping leaves no activity row: it is nobody's business but the member's. Each move is one statement that names what it
expects, so that of two windows one wins and neither loses anything.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.errors import Conflict, Invalid, NotFound
from crewprep.crews.models import Membership
from crewprep.onboarding.candidates import next_sheet
from crewprep.onboarding.models import Drill, DrillScore, Sight, SlotCard
from crewprep.onboarding.rules import may_look_at_drill, may_practise, may_work_on_drill
from crewprep.onboarding.scheduling import scheduled
from crewprep.onboarding.scoring import SlotScore, score
from crewprep.onboarding.sights import note_sight
from crewprep.sheets.markers import MarkerInput, check_markers
from crewprep.sheets.models import SheetVersion

_TRIES = 3


def drills_of(member: Membership) -> QuerySet[Drill]:
    """The member's own drills, the newest first."""
    return (
        Drill.objects.filter(crew=member.crew, membership=member)
        .select_related("track", "membership__user", "sheet__convention_version__convention")
        .prefetch_related("scores")
        .order_by("-created_at")
    )


def open_drill(member: Membership) -> Drill | None:
    """The member's drill that is not handed in yet, or None."""
    return _whole(drills_of(member).filter(handed_in_at=None)).first()


def drill_for(member: Membership, drill_id: UUID) -> Drill:
    """The only way for a request to reach a drill. Raises ``NotFound`` for another crew's as for none, ``Refused`` for
    another member's unless a lead asks."""
    drill = _whole(Drill.objects.filter(crew=member.crew, pk=drill_id)).first()
    if drill is None:
        raise NotFound
    may_look_at_drill(member, drill).require()
    return drill


def _whole(drills: QuerySet[Drill]) -> QuerySet[Drill]:
    """With all that marking and scoring ask for; the facts of an analysis are too large for lists."""
    return drills.select_related(
        "track", "membership__user", "sheet__analysis", "sheet__convention_version__convention"
    ).prefetch_related("scores", "sheet__markers", "sheet__convention_version__slots")


def begin_drill(*, member: Membership, seed: int | None = None) -> Drill:
    """A new drill on the track that the member should meet next; the one that is open already, where there is one.

    ``seed`` decides between tracks that are as good, and is drawn where it is left out. Raises ``Conflict`` with
    ``drill:none-left``.
    """
    may_practise(member).require()
    seed = random.getrandbits(32) if seed is None else seed
    for _ in range(_TRIES):
        begun = open_drill(member)
        if begun is not None:
            return begun
        sheet_id = next_sheet(member, seed=seed)
        if sheet_id is None:
            raise Conflict("drill:none-left")
        sheet = SheetVersion.objects.only("pk", "track_id").get(pk=sheet_id)
        try:
            with transaction.atomic():
                drill = Drill.objects.create(
                    crew_id=member.crew_id, membership=member, track_id=sheet.track_id, sheet=sheet
                )
        except IntegrityError:
            continue  # another window began one, and perhaps handed it in since
        return drill_for(member, drill.pk)
    raise Conflict("drill:none-left")


def keep_drill(*, member: Membership, drill: Drill, markers: Sequence[MarkerInput], seen_revision: int) -> Drill:
    """Keep the markers over the revision that this window saw; what is kept already is no conflict, as where an answer
    was lost.

    Raises ``Conflict`` with ``drill:other-window`` or ``drill:handed-in``, which lose nothing.
    """
    may_work_on_drill(member, drill).require()
    values = _values(markers)
    if not _still(drill, seen_revision).update(markers=values, revision=F("revision") + 1):
        _refuse_unless_same(member, drill, values, handed_in=False)
    return drill_for(member, drill.pk)


def hand_in(*, member: Membership, drill: Drill, markers: Sequence[MarkerInput], seen_revision: int) -> Drill:
    """Score the markers against the sheet, which the member may see from now on, and say when each slot is due again.

    Handing the same markers in once more changes nothing. Raises ``Invalid`` as ``check_markers`` does and without a
    marker, ``Conflict`` with ``drill:other-window``, ``drill:handed-in``, or with ``drill:seen`` where the track's
    markers were looked at meanwhile.
    """
    may_work_on_drill(member, drill).require()
    if not markers:
        raise Invalid("drill:empty")
    sheet, now = drill.sheet, timezone.now()
    checked = check_markers(markers, version=sheet.convention_version, duration_us=sheet.analysis.duration_us)
    values = _values(checked)
    with transaction.atomic():
        moved = _still(drill, seen_revision).update(markers=values, revision=F("revision") + 1, handed_in_at=now)
        if not moved:
            _refuse_unless_same(member, drill, values, handed_in=True)
            return drill_for(member, drill.pk)
        if Sight.objects.filter(membership=member, track=drill.track_id).exists():
            raise Conflict("drill:seen")
        scores = score(list(sheet.markers.all()), checked, MusicalTime.of(sheet.analysis.result))
        _store(drill, scores, at=now)
        note_sight(member, [drill.track_id])
        record(actor=member.user, verb="drill handed in", subject=drill, track=drill.track.title)
    return drill_for(member, drill.pk)


def drop_drill(*, member: Membership, drill: Drill) -> None:
    """Give an open drill up, with its markers; its track may come again. Nothing where it is gone already.

    Raises ``Conflict`` with ``drill:handed-in``.
    """
    may_work_on_drill(member, drill).require()
    with transaction.atomic():
        now = Drill.objects.select_for_update().filter(pk=drill.pk).first()
        if now is None:
            return
        if now.handed_in_at is not None:
            raise Conflict("drill:handed-in")
        now.delete()


def _values(markers: Sequence[MarkerInput]) -> list[dict[str, Any]]:
    return [{"slot": one.slot, "start_us": one.start_us, "end_us": one.end_us} for one in markers]


def _still(drill: Drill, seen_revision: int) -> QuerySet[Drill]:
    return Drill.objects.filter(pk=drill.pk, revision=seen_revision, handed_in_at=None)


def _refuse_unless_same(member: Membership, drill: Drill, values: list[dict[str, Any]], *, handed_in: bool) -> None:
    """Why a move found nothing to move; nothing where it had been made before with these very markers."""
    now = Drill.objects.filter(pk=drill.pk).first()
    if now is None:
        raise NotFound
    if (now.handed_in_at is not None) != handed_in:
        raise Conflict("drill:other-window" if handed_in else "drill:handed-in")
    if now.markers != values:
        raise Conflict("drill:handed-in" if handed_in else "drill:other-window")


def _store(drill: Drill, scores: Sequence[SlotScore], *, at: dt.datetime) -> None:
    """The scores, and each slot's card moved by its own."""
    slots = {slot.number: slot for slot in drill.sheet.convention_version.slots.all()}
    DrillScore.objects.bulk_create(
        DrillScore(
            drill=drill, slot=one.slot, function=slots[one.slot].function, which=slots[one.slot].which, miss=one.miss,
            off_us=one.off_us, off_beats=one.off_beats, phrases=one.phrases, other_slot=one.other,
            length_off_beats=one.length_off_beats,
        )
        for one in scores
    )  # fmt: skip
    mine = SlotCard.objects.select_for_update().filter(membership=drill.membership)
    cards = {(card.function, card.which): card for card in mine}
    for one in scores:
        meaning = slots[one.slot].function, slots[one.slot].which
        card = cards.get(meaning)
        due = scheduled(card.card if card else None, one, at=at)
        if card is None:
            card = SlotCard(crew_id=drill.crew_id, membership=drill.membership, function=meaning[0], which=meaning[1])
        card.card, card.due_at = due.card, due.due_at
        cards[meaning] = card
    SlotCard.objects.bulk_create(
        cards.values(), update_conflicts=True, unique_fields=["membership", "function", "which"],
        update_fields=["card", "due_at"],
    )  # fmt: skip
