"""Reading analyses."""

from __future__ import annotations

from collections.abc import Collection
from uuid import UUID

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import GridFacts, MusicalTime
from crewprep.tracks.models import Track


def current_analysis(track: Track) -> Analysis | None:
    """The newest analysis of a track, or None before the first."""
    return Analysis.objects.filter(track=track).select_related("made_by").order_by("-created_at").first()


def measured_analysis(analysis: Analysis) -> Analysis:
    """The analysis that a chain of corrections began with; itself where it was measured."""
    while analysis.follows is not None:
        analysis = analysis.follows
    return analysis


def grids_of(analysis_ids: Collection[UUID]) -> dict[UUID, MusicalTime]:
    """The grids of analyses, in one query that leaves the rest of the facts, which is most of them, in the database."""
    fields = [f"facts__{field}" for field in GridFacts._fields]
    rows = Analysis.objects.filter(pk__in=analysis_ids).order_by().values_list("pk", *fields)
    return {
        pk: MusicalTime.of(GridFacts(duration_us, beats_per_bar, *map(tuple, lists)))
        for pk, duration_us, beats_per_bar, *lists in rows
    }
