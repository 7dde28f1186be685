"""Correcting a track's grid: a version of the analysis with an author, which can be taken back."""

from __future__ import annotations

from collections.abc import Callable

from django.db import IntegrityError, transaction

from analysis_worker.core.results import TrackAnalysis
from crewprep.activity.services import record
from crewprep.analysis.correction import UnusableError
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.analysis.services import store_correction
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.preparation.services import renew_by_work, require_free
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.services import ask_for_drafts
from crewprep.tracks.models import Track


def correct_grid(
    *, member: Membership, track: Track, seen: str, change: Callable[[TrackAnalysis], TrackAnalysis], words: str
) -> Analysis:
    """Make the track's next analysis from the one that was ``seen`` (its id), and have it drafted anew.

    Markers keep their times. Raises ``Conflict`` where the grid has moved on, another member holds the track or a
    pending proposal stands on it, and ``Invalid`` with a sentence where ``change`` raises ``UnusableError``.
    """
    may_prepare(member).require()
    base = current_analysis(track)
    if base is None:
        raise Conflict("analysis:none")
    if str(base.pk) != seen:
        raise Conflict("grid:moved-on")
    require_free(member, track)
    pending = pending_proposal(track)
    if pending is not None:
        raise Conflict("grid:proposal", by=str(pending.changed_by))
    try:
        result = change(base.result)
    except UnusableError as error:
        raise Invalid("grid:unusable", detail=str(error)) from error
    try:
        with transaction.atomic():
            made = store_correction(member=member, base=base, result=result, words=words)
            record(actor=member.user, verb="grid corrected", subject=track, words=words)
            ask_for_drafts(analysis=made, asked_by=member.user)
            renew_by_work(member, track)
    except IntegrityError as error:
        raise Conflict("grid:moved-on") from error
    return made
