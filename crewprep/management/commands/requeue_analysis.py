"""``manage.py requeue_analysis``: ask for tracks to be analysed again, for instance after the analysis has improved."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.db.models import OuterRef, Q, QuerySet, Subquery

from analysis_worker.core.results import ENGINE_VERSION
from crewprep.analysis.models import Analysis
from crewprep.jobs.models import JobKind
from crewprep.jobs.services import enqueue
from crewprep.tracks.models import Track, TrackState
from crewprep.tracks.selectors import reference_copy


class Command(BaseCommand):
    """Queue analyses; what is queued or running already is left as it is."""

    help = (
        "Analyse tracks again: those analysed by another version of the analysis, or with --all every one. "
        "Approved sheets keep the analysis they were made on. Without --all, grids that a member corrected are left."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Which tracks."""
        parser.add_argument("track", nargs="*", type=UUID, help="Ids of single tracks; without any, all crews' tracks.")
        parser.add_argument("--crew", metavar="SLUG", help="Only the tracks of this crew.")
        parser.add_argument("--all", action="store_true", help="Also tracks that this version has analysed already.")
        parser.add_argument("--refused", action="store_true", help="Also tracks whose audio was refused.")
        parser.add_argument("--dry-run", action="store_true", help="Only say which tracks would be queued.")

    def handle(self, *args: Any, **options: Any) -> None:
        """Queue them one by one, so that a worker can start on the first at once."""
        tracks = _chosen(
            ids=options["track"], crew=options["crew"], everything=options["all"], refused=options["refused"]
        )
        if options["track"] and len(missing := set(options["track"]) - {track.pk for track in tracks}):
            left_out = ", ".join(sorted(map(str, missing)))
            raise CommandError(f"Not found, or left out without --all or --refused: {left_out}. Nothing was queued.")
        for track in tracks:
            if not options["dry_run"]:
                with transaction.atomic():
                    enqueue(
                        track=track,
                        kind=JobKind.ANALYSE,
                        input_sha256=reference_copy(track).sha256,
                        params={},
                        asked_by=None,
                    )
            self.stdout.write(f"{track.pk}  {track}")
        verb = "would be queued" if options["dry_run"] else "queued"
        self.stdout.write(f"{len(tracks)} {'track' if len(tracks) == 1 else 'tracks'} {verb}.")


def _chosen(*, ids: list[UUID], crew: str | None, everything: bool, refused: bool) -> QuerySet[Track]:
    newest = Analysis.objects.filter(track=OuterRef("pk")).order_by("-created_at")
    tracks = Track.objects.annotate(
        engine=Subquery(newest.values("engine")[:1]), corrected_by=Subquery(newest.values("made_by")[:1])
    ).order_by("crew", "created_at")
    if ids:
        tracks = tracks.filter(pk__in=ids)
    if crew is not None:
        tracks = tracks.filter(crew__slug=crew)
    if not everything:
        tracks = tracks.filter(Q(engine__isnull=True) | ~Q(engine=ENGINE_VERSION), corrected_by=None)
    if not refused:
        tracks = tracks.exclude(state=TrackState.REFUSED)
    return tracks
