"""Reading analyses."""

from __future__ import annotations

from crewprep.analysis.models import Analysis
from crewprep.tracks.models import Track


def current_analysis(track: Track) -> Analysis | None:
    """The newest analysis of a track, or None before the first."""
    return Analysis.objects.filter(track=track).select_related("made_by").order_by("-created_at").first()


def measured_analysis(analysis: Analysis) -> Analysis:
    """The analysis that a chain of corrections began with; itself where it was measured."""
    while analysis.follows is not None:
        analysis = analysis.follows
    return analysis
