"""Keeping the standings: every recorded change marks its track's row, and whoever reads brings marked rows up to date.

Marking is one statement in the transaction of the change (``record`` calls it, so no service can forget it) and does
not depend on what the service writes afterwards. Bringing up to date reads committed rows only: a row is fresh where
the revision that it was computed from is its revision still.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import F, Min, Q, QuerySet

from crewprep.activity.models import Activity
from crewprep.analysis.models import Analysis
from crewprep.common.models import CrewRow
from crewprep.jobs.models import LIVE_STATES, Job, JobKind, JobState
from crewprep.library.folding import folded
from crewprep.library.models import MOST_SORTED, BrokenCheck, Stand, TrackStanding
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.models import Draft, SheetVersion
from crewprep.tracks.models import Track, TrackState

AT_ONCE = 500
"""Rows that are brought up to date in one transaction."""

COLUMNS = (
    "listed", "state", "sort_title", "sort_artist", "added_at", "duration_us", "tempo_bpm", "steady", "key_name",
    "loudness_lufs", "confidence", "sheet_number", "checked",
)  # fmt: skip
"""What is computed, beside the broken checks."""


def mark_on_record(row: Activity, subject: CrewRow) -> None:
    """Mark the track that an activity row is about, if it is about one; ``record`` calls it."""
    track_id = subject.pk if isinstance(subject, Track) else getattr(subject, "track_id", None)
    if track_id is not None:
        mark(subject.crew_id, [track_id])


def mark(crew_id: UUID, track_ids: Collection[UUID]) -> None:
    """Say that what is known of tracks may have changed; called inside the transaction of the change."""
    if TrackStanding.objects.filter(track__in=track_ids).update(revision=F("revision") + 1) < len(set(track_ids)):
        TrackStanding.objects.bulk_create(
            (TrackStanding(crew_id=crew_id, track_id=track_id) for track_id in sorted(set(track_ids))),
            ignore_conflicts=True,
        )


def mark_all(crew_id: UUID | None = None) -> None:
    """Mark every track (of a crew), those without a row included."""
    tracks = Track.objects.filter(**({} if crew_id is None else {"crew": crew_id}))
    with transaction.atomic():
        TrackStanding.objects.filter(track__in=tracks.order_by()).update(revision=F("revision") + 1)
        TrackStanding.objects.bulk_create(
            (
                TrackStanding(crew_id=crew, track_id=track)
                for crew, track in tracks.filter(standing=None).order_by().values_list("crew_id", "pk")
            ),
            batch_size=AT_ONCE,
        )


def stale(crew_id: UUID | None = None) -> QuerySet[TrackStanding]:
    """The rows (of a crew) that have been marked since they were computed."""
    rows = TrackStanding.objects.filter(~Q(revision=F("seen_revision")))
    return rows if crew_id is None else rows.filter(crew=crew_id)


def freshen(crew_id: UUID | None = None) -> int:
    """Bring marked rows (of a crew) up to date; returns how many. One query where there are none.

    A row that another transaction holds is left out: that one either computes it or marks it anew.
    """
    done = 0
    # Counted, not asked for the first: for that PostgreSQL reads the whole table, as it cannot know how few there are.
    while stale(crew_id).count():
        with transaction.atomic():
            rows = list(stale(crew_id).select_for_update(skip_locked=True).order_by("track_id")[:AT_ONCE])
            _compute(rows)
        if not rows:
            break
        done += len(rows)
    return done


def _compute(rows: Sequence[TrackStanding]) -> None:
    truth = truth_of([row.track_id for row in rows])
    broken = []
    for row in rows:
        values, checks = truth[row.track_id]
        for column, value in values.items():
            setattr(row, column, value)
        row.seen_revision = row.revision
        broken += [BrokenCheck(crew_id=row.crew_id, track_id=row.track_id, check_code=code) for code in checks]
    # Without ``revision``: where somebody marks a row in this moment, it stays marked.
    TrackStanding.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["track"], update_fields=[*COLUMNS, "seen_revision"]
    )
    BrokenCheck.objects.filter(track__in=truth).delete()
    BrokenCheck.objects.bulk_create(broken)


def truth_of(track_ids: Collection[UUID]) -> dict[UUID, tuple[dict[str, Any], tuple[str, ...]]]:
    """For each track its columns and the codes of its broken checks, from the rows that they repeat; six queries."""
    # Without the facts; oldest first, so that the newest of each track stays.
    measured = Analysis.objects.filter(track__in=track_ids).order_by("created_at")
    analyses = {
        row["track"]: row
        for row in measured.values("pk", "track", "duration_us", "tempo_bpm", "steady", "key_name", "loudness_lufs")
    }
    lowest = dict(
        Draft.objects.filter(track__in=track_ids)
        .order_by("created_at")
        .annotate(lowest=Min("markers__confidence"))
        .values_list("analysis_id", "lowest")
    )
    pending = dict(
        Proposal.objects.filter(track__in=track_ids, state__in=[ProposalState.OPEN, ProposalState.RETURNED])
        .order_by()
        .values_list("track_id", "state")
    )
    sheets = {
        track: (number, findings)
        for track, number, findings in SheetVersion.objects.filter(track__in=track_ids)
        .order_by("number")
        .values_list("track_id", "number", "findings")
    }
    jobs: dict[UUID, dict[str, str]] = defaultdict(dict)
    unsettled = Job.objects.filter(track__in=track_ids, state__in=[*LIVE_STATES, JobState.DEAD])
    for track, kind, state in unsettled.order_by("created_at").values_list("track_id", "kind", "state"):
        jobs[track][kind] = state
    found = {}
    for row in Track.objects.filter(pk__in=track_ids).values("pk", "title", "artist", "state", "created_at", "same_as"):
        pk = row["pk"]
        analysis = analyses.get(pk)
        drafted = analysis is not None and analysis["pk"] in lowest
        number, findings = sheets.get(pk, (None, []))
        columns = {
            "listed": row["same_as"] is None,
            "state": _stand(row["state"], pending.get(pk), number, drafted, jobs[pk]),
            "sort_title": folded(row["title"])[:MOST_SORTED],
            "sort_artist": folded(row["artist"])[:MOST_SORTED],
            "added_at": row["created_at"],
            "duration_us": analysis["duration_us"] if analysis else None,
            "tempo_bpm": analysis["tempo_bpm"] if analysis else None,
            "steady": analysis["steady"] if analysis else True,
            "key_name": analysis["key_name"] if analysis else "",
            "loudness_lufs": analysis["loudness_lufs"] if analysis else None,
            "confidence": lowest[analysis["pk"]] if analysis and drafted else None,
            "sheet_number": number,
            "checked": findings is not None,
        }
        found[pk] = columns, tuple(sorted({finding["check"] for finding in findings or []}))
    return found


def _stand(track: str, pending: str | None, sheet: int | None, drafted: bool, jobs: dict[str, str]) -> Stand:
    if track == TrackState.REFUSED:
        return Stand.REFUSED
    if track == TrackState.CHECKING:
        return Stand.GIVEN_UP if jobs.get(JobKind.ANALYSE) == JobState.DEAD else Stand.WORKING
    if pending is not None:
        return Stand.OPEN if pending == ProposalState.OPEN else Stand.RETURNED
    if sheet is not None:
        return Stand.APPROVED
    if drafted:
        return Stand.DRAFTED
    drafting = jobs.get(JobKind.DRAFT)
    if drafting is None:
        return Stand.UNDRAFTED
    return Stand.GIVEN_UP if drafting == JobState.DEAD else Stand.WORKING
