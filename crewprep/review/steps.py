"""What the services share: markers that can stand, and the way back into the queue."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db import IntegrityError
from django.utils import timezone

from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership
from crewprep.preparation.services import let_go_after_proposing
from crewprep.review.asking import suggested_for
from crewprep.review.models import Proposal, ProposedMarker
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.checking import findings_of, require_no_blocker
from crewprep.sheets.keeping import let_go
from crewprep.sheets.markers import MarkerInput, check_markers, rows
from crewprep.tracks.models import Track


def analysis_of(track: Track) -> Analysis:
    """The track's newest analysis; raises ``Conflict`` where there is none yet."""
    analysis = current_analysis(track)
    if analysis is None:
        raise Conflict("analysis:none")
    return analysis


def checked_markers(
    markers: Sequence[MarkerInput], version: ConventionVersion, analysis: Analysis, override_reason: str
) -> list[MarkerInput]:
    """The markers in slot order; raises ``Invalid`` for none, for one that cannot stand, and for a blocker of the house
    checks that has no reason."""
    if not markers:
        raise Invalid("proposal:empty")
    checked = check_markers(markers, version=version, duration_us=analysis.duration_us)
    require_no_blocker(findings_of(version.crew, checked, version, analysis.result), override_reason)
    return checked


def back_in_queue(member: Membership, proposal: Proposal, seen_revision: int, override_reason: str) -> dict[str, Any]:
    """What every move back to the queue writes: the next revision, with no verdict on it."""
    overtaken = proposal.asked_id in (None, member.user_id)
    return {
        "revision": seen_revision + 1,
        "changed_by": member.user,
        "changed_at": timezone.now(),
        "override_reason": override_reason.strip()[:300],
        "asked": suggested_for(proposal, without={member.user_id}) if overtaken else proposal.asked,
        "first_approved_by": None,
        "two_reviewers": False,
        "reviewed_by": None,
        "reviewed_at": None,
        "verdict_note": "",
        "heard": [],
    }


def put_in(member: Membership, proposal: Proposal, markers: Sequence[MarkerInput]) -> None:
    """The markers, with the member as one of the authors; what was kept and claimed for it is let go."""
    proposal.contributors.add(member.user)
    proposal.markers.all().delete()
    ProposedMarker.objects.bulk_create(rows(ProposedMarker, markers, proposal=proposal))
    let_go(member, proposal.track, proposal.convention_version)
    let_go_after_proposing(member, proposal.track)


def pending_instead(track: Track, error: IntegrityError) -> Exception:
    """The refusal that names whose proposal is pending; the error itself where none is."""
    pending = pending_proposal(track)
    return error if pending is None else Conflict("proposal:pending", by=str(pending.proposed_by))
