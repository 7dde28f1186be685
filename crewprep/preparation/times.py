"""How long a track takes: signs of work add up while it is prepared, and proposing settles the sum.

A sign is a change that was kept, or a claim. Gaps of more than ``IDLE`` between two signs count for nothing: whoever
hears a track through without touching it is at it, whoever went for a meal is not.
"""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import F, Max

from crewprep.preparation.estimate import CrewFactor, crew_factor
from crewprep.preparation.models import PreparationTime
from crewprep.sheets.models import SheetVersion
from crewprep.tracks.models import Track

IDLE = dt.timedelta(minutes=5)
LEAST = dt.timedelta(seconds=30)
"""Shorter ones were made by a program, or by a page without scripts, which tells nothing of the time."""
NEWEST = 200
"""How many recorded tracks the factor looks back."""


def note_work(track: Track, *, at: dt.datetime) -> None:
    """A sign of work on a track; the gap since the last one counts where it is short."""
    number = (SheetVersion.objects.filter(track=track).aggregate(last=Max("number"))["last"] or 0) + 1
    mine = PreparationTime.objects.filter(track=track, sheet_number=number)
    last = mine.values_list("last_at", flat=True).first()
    if last is None:
        try:
            with transaction.atomic():
                PreparationTime.objects.create(crew_id=track.crew_id, track=track, sheet_number=number, last_at=at)
        except IntegrityError:
            pass  # another sign came first, and counts from now on
        return
    gap = at - last
    if gap > dt.timedelta(0):
        counted = gap // dt.timedelta(milliseconds=1) if gap <= IDLE else 0
        mine.filter(last_at=last).update(last_at=at, active_ms=F("active_ms") + counted)


def settle_time(track: Track, *, at: dt.datetime, expected_minutes: float) -> None:
    """The track's sheet is proposed: fix what was expected of it, once. Work after a return still adds up."""
    note_work(track, at=at)
    number = (SheetVersion.objects.filter(track=track).aggregate(last=Max("number"))["last"] or 0) + 1
    PreparationTime.objects.filter(track=track, sheet_number=number, proposed_at=None).update(
        proposed_at=at, expected_minutes=expected_minutes
    )


def factor_of(crew_id: UUID) -> CrewFactor:
    """The crew's factor, from the first sheets of the tracks that it proposed last."""
    rows = (
        PreparationTime.objects.filter(
            crew=crew_id,
            sheet_number=1,
            proposed_at__isnull=False,
            active_ms__gte=LEAST // dt.timedelta(milliseconds=1),
        )
        .order_by("-proposed_at")
        .values_list("expected_minutes", "active_ms")[:NEWEST]
    )
    return crew_factor([(expected, active_ms / 60_000) for expected, active_ms in rows if expected])
