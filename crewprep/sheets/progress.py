"""Where tracks stand, for lists: the newest job, the newest analysis and the number of the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Max

from crewprep.analysis.models import Analysis
from crewprep.jobs.models import Job
from crewprep.sheets.models import SheetVersion
from crewprep.tracks.models import Track


@dataclass(frozen=True, slots=True)
class TrackProgress:
    """A track and how far it has come. ``analysis`` comes without its facts, which may be large."""

    track: Track
    job: Job | None
    analysis: Analysis | None
    sheet_version: int | None


def progress_of(tracks: Sequence[Track]) -> list[TrackProgress]:
    """The progress of tracks that were reached through a door, in three queries however many there are."""
    ids = [track.pk for track in tracks]
    # Oldest first, so that the newest of each track is what stays in the dictionary.
    jobs = {job.track_id: job for job in Job.objects.filter(track__in=ids).order_by("created_at")}
    analyses = {
        analysis.track_id: analysis
        for analysis in Analysis.objects.filter(track__in=ids).defer("facts").order_by("created_at")
    }
    numbers = dict(
        SheetVersion.objects.filter(track__in=ids).order_by().values_list("track_id").annotate(Max("number"))
    )
    return [TrackProgress(track, jobs.get(track.pk), analyses.get(track.pk), numbers.get(track.pk)) for track in tracks]
