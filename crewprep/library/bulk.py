"""Changing many tracks at once, and taking it back.

A change is one transaction with an activity row for each track, and one ``BulkChange`` that holds what was really done.
Undo reverses just that, track by track, and leaves alone what has changed since.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from crewprep.analysis.models import Analysis
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.selectors import current_version
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.services import put_back, take_out
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates, may_lead
from crewprep.jobs.models import Job
from crewprep.jobs.services import cancel
from crewprep.library.models import BulkChange, BulkKind
from crewprep.preparation.restoring import Hold, restore_claim
from crewprep.preparation.selectors import live_claims
from crewprep.preparation.services import assign_track, release_track
from crewprep.sheets.services import ask_for_draft, put_in_crate
from crewprep.tracks.models import Track

MOST_TRACKS = 500
UNDO_FOR = dt.timedelta(minutes=30)

Entry = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Undone:
    """What an undo did: how many tracks are as they were, and how many had changed since and were left."""

    back: int
    left: int


def may_change(member: Membership, kind: str) -> None:
    """Raises ``Refused``: crates and drafts are for leads and residents, giving tracks to others for leads."""
    (may_lead if kind in (BulkKind.ASSIGN, BulkKind.RELEASE) else may_fill_crates)(member).require()


def change_many(
    *, member: Membership, kind: str, tracks: Sequence[Track], crate: Crate | None = None, to: Membership | None = None
) -> BulkChange:
    """Do one thing with many tracks; those with which there is nothing to do are passed over and counted in ``words``.

    Raises ``Refused``, and ``Invalid`` for no track, too many, or a missing crate or member.
    """
    may_change(member, kind)
    if not tracks:
        raise Invalid("bulk:none")
    if len(tracks) > MOST_TRACKS:
        raise Invalid("bulk:too-many", limit=MOST_TRACKS)
    if kind in (BulkKind.PUT, BulkKind.TAKE) and crate is None:
        raise Invalid("bulk:crate-missing")
    if kind == BulkKind.ASSIGN and to is None:
        raise Invalid("bulk:member-missing")
    # In one order, so that two changes of the same tracks wait for each other instead of blocking both.
    in_order = sorted(tracks, key=lambda track: track.pk)
    with transaction.atomic():
        match kind:
            case BulkKind.PUT:
                assert crate is not None
                changes, said = _put(member, tracks, crate)
            case BulkKind.TAKE:
                assert crate is not None
                changes, said = _take(member, in_order, crate)
            case BulkKind.ASSIGN:
                assert to is not None
                changes, said = _assign(member, in_order, to)
            case BulkKind.RELEASE:
                changes, said = _release(member, in_order)
            case BulkKind.DRAFT:
                changes, said = _draft(member, in_order)
            case _:
                raise Invalid("malformed", detail="choose what to do with the tracks.")
        count = len(changes)
        words = said.format(tracks=f"{count or 'No'} {'track' if count == 1 else 'tracks'}")
        passed = len(tracks) - count
        if passed:
            words += f" {passed} {'was' if passed == 1 else 'were'} passed over: nothing to do there."
        return BulkChange.objects.create(
            crew=member.crew,
            by=member.user,
            kind=kind,
            crate=crate,
            to=to.user if to and kind == BulkKind.ASSIGN else None,
            words=words,
            changes=changes,
        )


def may_undo(change: BulkChange) -> bool:
    """Whether it can still be taken back."""
    return bool(change.changes) and change.undone_at is None and timezone.now() < change.created_at + UNDO_FOR


def undo(*, member: Membership, change: BulkChange) -> Undone:
    """Take back what a change did, where nothing has happened to it since.

    Raises ``Conflict`` where it was taken back already or the time is over, ``Refused`` where the member may not any
    more.
    """
    may_change(member, change.kind)
    if timezone.now() >= change.created_at + UNDO_FOR:
        raise Conflict("bulk:too-late", minutes=int(UNDO_FOR.total_seconds() // 60))
    reverse: Callable[[Membership, BulkChange, Track, Entry], bool] = _REVERSES[BulkKind(change.kind)]
    with transaction.atomic():
        if not BulkChange.objects.filter(pk=change.pk, undone_at=None).update(undone_at=timezone.now()):
            raise Conflict("bulk:undone")
        tracks = Track.objects.filter(crew=member.crew).in_bulk([UUID(entry["track"]) for entry in change.changes])
        back = 0
        for entry in change.changes:
            track = tracks.get(UUID(entry["track"]))
            back += track is not None and reverse(member, change, track, entry)
    return Undone(back, len(change.changes) - back)


def _put(member: Membership, tracks: Sequence[Track], crate: Crate) -> tuple[list[Entry], str]:
    there = set(CrateTrack.objects.filter(crate=crate, track__in=tracks).values_list("track_id", flat=True))
    new = [track for track in tracks if track.pk not in there]
    places = [put_in_crate(member=member, crate=crate, track=track) for track in new]
    changes = [{"track": str(place.track_id), "place": str(place.pk)} for place in places]
    return changes, _braced(f"put into “{crate.name}”.")


def _take(member: Membership, tracks: Sequence[Track], crate: Crate) -> tuple[list[Entry], str]:
    places = CrateTrack.objects.filter(crate=crate, track__in=tracks).select_related("track", "crate")
    changes = [
        {"track": str(place.track_id), "position": place.position}
        for place in places.order_by("track_id")
        if take_out(member=member, place=place)
    ]
    return changes, _braced(f"taken out of “{crate.name}”.")


def _assign(member: Membership, tracks: Sequence[Track], to: Membership) -> tuple[list[Entry], str]:
    held = live_claims([track.pk for track in tracks])
    changes = []
    for track in tracks:
        before = held.get(track.pk)
        if before is not None and before.holder_id == to.user_id:
            continue
        now = assign_track(member=member, track=track, to=to)
        changes.append(
            {"track": str(track.pk), "before": _hold_data(Hold.of(before) if before else None),
             "now": _hold_data(Hold.of(now))}
        )  # fmt: skip
    return changes, "{tracks} given to {{to}}."


def _release(member: Membership, tracks: Sequence[Track]) -> tuple[list[Entry], str]:
    held = live_claims([track.pk for track in tracks])
    changes = [
        {"track": str(track.pk), "before": _hold_data(Hold.of(held[track.pk]))}
        for track in tracks
        if track.pk in held and release_track(member=member, track=track)
    ]
    return changes, "{tracks} released."


def _draft(member: Membership, tracks: Sequence[Track]) -> tuple[list[Entry], str]:
    """Ask for the drafts that are missing: by the convention of each crate that a track is in, or by the newest."""
    ids = [track.pk for track in tracks]
    analyses = {
        analysis.track_id: analysis
        for analysis in Analysis.objects.filter(track__in=ids)
        .defer("facts", "thumbnail")
        .select_related("track")
        .order_by("created_at")
    }
    versions: dict[UUID, dict[UUID, Any]] = {}
    for place in CrateTrack.objects.filter(track__in=ids).select_related("crate__convention_version"):
        versions.setdefault(place.track_id, {})[place.crate.convention_version_id] = place.crate.convention_version
    newest = current_version(member)
    asked = timezone.now()
    changes = []
    for track in tracks:
        analysis = analyses.get(track.pk)
        wanted = list(versions.get(track.pk, {}).values()) or ([newest] if newest else [])
        jobs = [
            job
            for version in wanted
            if analysis is not None
            and (job := ask_for_draft(analysis=analysis, convention_version=version, asked_by=member.user)) is not None
            and job.created_at >= asked  # not one that somebody waits for already
        ]
        if jobs:
            changes.append({"track": str(track.pk), "jobs": [str(job.pk) for job in jobs]})
    return changes, "A draft was asked for of {tracks}."


def _undo_put(member: Membership, change: BulkChange, track: Track, entry: Entry) -> bool:
    place = CrateTrack.objects.filter(pk=entry["place"], track=track).select_related("track", "crate").first()
    return place is not None and take_out(member=member, place=place, undo=True)


def _undo_take(member: Membership, change: BulkChange, track: Track, entry: Entry) -> bool:
    assert change.crate is not None
    return put_back(member=member, crate=change.crate, track=track, position=entry["position"])


def _undo_claim(member: Membership, change: BulkChange, track: Track, entry: Entry) -> bool:
    return restore_claim(member=member, track=track, now=_hold(entry.get("now")), before=_hold(entry.get("before")))


def _undo_draft(member: Membership, change: BulkChange, track: Track, entry: Entry) -> bool:
    jobs = Job.objects.filter(pk__in=entry["jobs"], track=track)
    cancelled = [cancel(job=job, by=member.user) for job in jobs]
    return any(cancelled)


_REVERSES: dict[BulkKind, Callable[[Membership, BulkChange, Track, Entry], bool]] = {
    BulkKind.PUT: _undo_put,
    BulkKind.TAKE: _undo_take,
    BulkKind.ASSIGN: _undo_claim,
    BulkKind.RELEASE: _undo_claim,
    BulkKind.DRAFT: _undo_draft,
}


def _braced(rest: str) -> str:
    return "{tracks} " + rest.replace("{", "{{").replace("}", "}}")


def _hold_data(hold: Hold | None) -> Entry | None:
    if hold is None:
        return None
    return {
        "holder": hold.holder, "since": hold.since.isoformat(), "until": hold.until.isoformat(), "note": hold.note
    }  # fmt: skip


def _hold(data: Entry | None) -> Hold | None:
    if data is None:
        return None
    since, until = (dt.datetime.fromisoformat(data[name]) for name in ("since", "until"))
    return Hold(data["holder"], since, until, data["note"])
