"""Reading analyses."""

from __future__ import annotations

from crewprep.analysis.models import Analysis
from crewprep.tracks.models import Track


def current_analysis(track: Track) -> Analysis | None:
    """The newest analysis of a track, or None before the first."""
    return Analysis.objects.filter(track=track).order_by("-created_at").first()
