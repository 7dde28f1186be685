"""Which sheets count under which convention version: decided once, when something changes, and only read afterwards.

A track has a sheet that counts under a version where

- one of its sheets is by that very version; or
- its latest sheet is by an older version of the same convention and keeps its meaning: it was compared with the version
  (each sheet is, with every version published after it and with the newest that was there before it), and no re-check
  of it is open.

Whatever approves a sheet or opens or closes a re-check calls ``recount`` in its transaction; publishing a version calls
``count_kept``, which asks the second case of all tracks at once.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from typing import Any
from uuid import UUID

from django.db import connection, transaction
from django.db.models import Exists, OuterRef, QuerySet, UUIDField, Value

from crewprep.common.copying import insert_from
from crewprep.conventions.models import ConventionVersion
from crewprep.sheets.models import CountedSheet, Recheck, SheetVersion
from crewprep.tracks.models import Track

AT_ONCE = 1000
"""Tracks that are read at a time."""

Pair = tuple[UUID, UUID]
"""A track and a convention version."""


def recount(track_ids: Iterable[UUID]) -> None:
    """Bring ``CountedSheet`` of these tracks up to date.

    Holds the tracks' rows until the transaction ends, so that of two changes to one track the later sees the earlier.
    """
    ids = sorted(set(track_ids))
    for first in range(0, len(ids), AT_ONCE):
        with transaction.atomic():
            _recount(ids[first : first + AT_ONCE])


def recount_all() -> None:
    """Bring ``CountedSheet`` of every track up to date, as after rows were changed by other means."""
    recount(Track.objects.order_by().values_list("pk", flat=True))


def _recount(track_ids: Collection[UUID]) -> None:
    crews = dict(_held(track_ids).values_list("pk", "crew_id"))
    truth = counted_by_rule(track_ids)
    kept, wrong = set(), []
    for row in CountedSheet.objects.filter(track__in=track_ids).order_by():
        pair = row.track_id, row.convention_version_id
        if truth.get(pair) == row.since:
            kept.add(pair)
        else:
            wrong.append(row.pk)
    CountedSheet.objects.filter(pk__in=wrong).delete()
    CountedSheet.objects.bulk_create(
        CountedSheet(crew_id=crews[track], track_id=track, convention_version_id=version, since=since)
        for (track, version), since in truth.items()
        if (track, version) not in kept
    )


def _held(track_ids: Collection[UUID] | QuerySet[Any]) -> QuerySet[Track]:
    """The tracks, whose rows are held once they are read; not against new rows that name one: an approval writes such a
    row before it waits for the convention."""
    return Track.objects.select_for_update(no_key=True).filter(pk__in=track_ids).order_by("pk")


def count_kept(version: ConventionVersion) -> None:
    """Count the sheets that keep their meaning under a version that is being published, whose re-checks are open.

    All that a new version adds are pairs of the second case: nothing is by it yet, no re-check of it is closed, and it
    is newer than every sheet. So the database writes them, once the tracks are held as ``recount`` holds them.
    """
    sheets = SheetVersion.objects.filter(convention_version__convention=version.convention_id)
    if connection.features.has_select_for_update:
        list(_held(sheets.order_by().values("track")).values_list(Value(1)))
    # A statement of its own: it sees whatever was approved while the tracks were waited for.
    waiting = Recheck.objects.filter(sheet=OuterRef("pk"), convention_version=version, ended="")
    newer = SheetVersion.objects.filter(track=OuterRef("track"), number__gt=OuterRef("number"))
    insert_from(
        CountedSheet,
        sheets.filter(~Exists(newer), ~Exists(waiting)),
        crew_id="crew_id", track_id="track_id", since="created_at",
        convention_version_id=Value(version.pk, output_field=UUIDField()),
    )  # fmt: skip
    # Clocks of several hosts differ: where a sheet seems to be the younger one, the rule is asked after all.
    recount(sheets.filter(created_at__gte=version.created_at).values_list("track_id", flat=True))


def counted_by_rule(track_ids: Collection[UUID]) -> dict[Pair, dt.datetime]:
    """The pairs under which tracks have a sheet that counts, and since when, from the rows that decide it; three
    queries. Since the first approval by the version itself; else since the look that found the older sheet right, or
    its approval where none was needed."""
    own: dict[Pair, dt.datetime] = {}
    latest: dict[UUID, SheetVersion] = {}
    sheets = SheetVersion.objects.filter(track__in=track_ids).order_by("number")
    for sheet in sheets.only("track_id", "created_at", "convention_version_id"):
        own.setdefault((sheet.track_id, sheet.convention_version_id), sheet.created_at)
        latest[sheet.track_id] = sheet
    looks = {
        (sheet, version): (ended, at)
        for sheet, version, ended, at in Recheck.objects.filter(track__in=track_ids)
        .order_by()
        .values_list("sheet_id", "convention_version_id", "ended", "closed_at")
    }
    return {**dict(_kept(latest, looks)), **own}


def _kept(
    latest: dict[UUID, SheetVersion], looks: dict[Pair, tuple[str, dt.datetime | None]]
) -> Iterator[tuple[Pair, dt.datetime]]:
    """The pairs of the second case, from each track's latest sheet and what came of its re-checks."""
    followed = {sheet.convention_version_id for sheet in latest.values()}
    lines: dict[UUID, list[ConventionVersion]] = defaultdict(list)
    versions = ConventionVersion.objects.filter(convention__versions__in=followed).distinct().order_by("number")
    for version in versions:
        lines[version.convention_id].append(version)
    later = {version.pk: line[place + 1 :] for line in lines.values() for place, version in enumerate(line)}
    for track, sheet in latest.items():
        after = later[sheet.convention_version_id]
        # Of those that were there before it, a sheet is compared with the newest alone.
        before = [version for version in after if version.created_at <= sheet.created_at][-1:]
        for version in before + [version for version in after if version.created_at > sheet.created_at]:
            ended, at = looks.get((sheet.pk, version.pk), (None, None))
            if ended != "":
                yield (track, version.pk), at or sheet.created_at
