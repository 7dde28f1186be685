"""Reading claims (a lapsed one is none), assignments and estimates."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from uuid import UUID

from django.db.models import Avg, Count, Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from crewprep.analysis.models import Analysis
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Crew, Membership
from crewprep.preparation.estimate import CrewFactor, Estimate, Facts, estimate
from crewprep.preparation.models import Assignment, Claim, Split
from crewprep.sheets.models import Draft, DraftMarker
from crewprep.sheets.selectors import has_sheet
from crewprep.tracks.models import Track


def live_claim(track: Track) -> Claim | None:
    """Who holds a track now, or None."""
    return Claim.objects.filter(track=track, until__gt=timezone.now()).select_related("holder").first()


def live_claims(track_ids: Collection[UUID]) -> dict[UUID, Claim]:
    """Who holds which of these tracks now, in one query."""
    claims = Claim.objects.filter(track__in=track_ids, until__gt=timezone.now()).select_related("holder")
    return {claim.track_id: claim for claim in claims}


def held_by_another(member: Membership, track: Track) -> Claim | None:
    """The claim that keeps this member off a track, or None."""
    claim = live_claim(track)
    return claim if claim is not None and claim.holder_id != member.user_id else None


def lapsing_claims(before: dt.datetime, crew: Crew | None = None) -> QuerySet[Claim]:
    """Claims that hold now and lapse by ``before``, the next one first; of every crew unless one is named."""
    claims = Claim.objects.filter(until__gt=timezone.now(), until__lte=before)
    if crew is not None:
        claims = claims.filter(crew=crew)
    return claims.select_related("holder", "track", "crew").order_by("until")


def split_of(crate: Crate) -> Split | None:
    """How the crate was last divided, or None."""
    return Split.objects.filter(crate=crate).first()


def assignments_of(crate: Crate, track_ids: Collection[UUID] | None = None) -> dict[UUID, Assignment]:
    """Who is to do which track of a crate (or which of these), by the track's id, in one query."""
    rows = Assignment.objects.filter(crate=crate).select_related("preparer", "reviewer")
    if track_ids is not None:
        rows = rows.filter(track__in=track_ids)
    return {row.track_id: row for row in rows}


def assigned_to(member: Membership) -> QuerySet[Assignment]:
    """What is assigned to a member, to prepare or to review, of tracks that stand in their crate without a sheet that
    counts under its version."""
    here = CrateTrack.objects.filter(crate=OuterRef("crate"), track=OuterRef("track"))
    return (
        Assignment.objects.filter(Q(preparer=member.user) | Q(reviewer=member.user), crew=member.crew)
        .filter(Exists(here), ~has_sheet())
        .select_related("track", "crate__night")
        .order_by("crate__night__date", "crate__created_at", "track__title")
    )


def estimates_of(track_ids: Collection[UUID], version: ConventionVersion, factor: CrewFactor) -> dict[UUID, Estimate]:
    """Minutes for each of these tracks under a convention version, in four queries however many there are."""
    return {track_id: estimate(facts, factor) for track_id, facts in facts_of(track_ids, version).items()}


def facts_of(track_ids: Collection[UUID], version: ConventionVersion) -> dict[UUID, Facts]:
    """What an estimate asks of each of these tracks, by its newest analysis and the draft from that under the version;
    four queries."""
    # Oldest first, so that the newest of each track is what stays in the dictionary.
    analyses = {
        row["track_id"]: row
        for row in Analysis.objects.filter(track__in=track_ids)
        .order_by("created_at")
        .values("pk", "track_id", "duration_us", "steady", "grid_confidence")
    }
    required = list(version.slots.filter(required=True).values_list("number", flat=True))
    newest = [row["pk"] for row in analyses.values()]
    drafts = dict(
        Draft.objects.filter(analysis__in=newest, convention_version=version).order_by().values_list("track_id", "pk")
    )
    # Apart from the drafts: joined to them, PostgreSQL reads every marker that there is.
    markers = {
        row["draft_id"]: row
        for row in DraftMarker.objects.filter(draft__in=drafts.values())
        .order_by()
        .values("draft_id")
        .annotate(number=Count("pk"), sureness=Avg("confidence"), filled=Count("pk", filter=Q(slot__in=required)))
    }

    def facts(track_id: UUID) -> Facts:
        draft = markers.get(drafts[track_id]) if track_id in drafts else None
        analysis = analyses.get(track_id)
        return Facts(
            duration_us=analysis["duration_us"] if analysis else None,
            markers=draft["number"] if draft else 0,
            confidence=draft["sureness"] if draft else None,
            open_slots=len(required) - (draft["filled"] if draft else 0),
            steady=analysis["steady"] if analysis else True,
            grid_confidence=analysis["grid_confidence"] if analysis else 1.0,
            drafted=track_id in drafts,
        )

    return {track_id: facts(track_id) for track_id in track_ids}
