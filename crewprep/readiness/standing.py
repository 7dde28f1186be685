"""Where each track of a night's crates stands: one reading, a fixed number of queries for any number of tracks."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, QuerySet, Subquery
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Crew, User
from crewprep.jobs.models import LIVE_STATES, Job, JobKind, JobState
from crewprep.preparation.estimate import CrewFactor, Facts, estimate
from crewprep.preparation.models import Assignment, Claim
from crewprep.preparation.selectors import facts_of
from crewprep.preparation.services import CLAIM_FOR
from crewprep.preparation.times import factor_of
from crewprep.readiness.minutes import minutes_left
from crewprep.readiness.selectors import NightPlace
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.checking import severities_of
from crewprep.sheets.house_checks import Severity, check_sheet
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from crewprep.tracks.models import TrackState

STATES: dict[str, str] = {
    "nothing": "Nothing yet",
    "analysing": "Being analysed",
    "draft": "Draft ready",
    "held": "Being prepared",
    "review": "In review",
    "returned": "Returned",
    "approved": "Approved",
}
"""Every state of a track for a night, in the order of the work, with its words."""


@dataclass(frozen=True, slots=True)
class Blocker:
    """What a house check finds in the way of a track: the slot, and one sentence."""

    slot: int
    sentence: str


_Blocked = dict[tuple[UUID, UUID], tuple[int, tuple[Blocker, ...]]]
"""The number of the sheet and what blocks it, by track and version."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A track in one of the night's crates, and all that the board says of it.

    ``holder`` holds it since ``touched_at`` (their last change); with ``lapsed`` they have let it lapse, and nobody
    holds it. ``returns`` counts verdicts against proposals that were never approved; ``rechecked`` says that a sheet by
    another version is there. ``trouble`` is why nobody can begin: ``refused``, ``given-up`` or ``no-draft``.
    """

    place: CrateTrack
    state: str
    minutes: float
    holder: User | None = None
    touched_at: dt.datetime | None = None
    lapsed: bool = False
    proposal: Proposal | None = None
    other_proposal: bool = False
    returns: int = 0
    steady: bool = True
    confidence: float | None = None
    sheet_number: int | None = None
    rechecked: bool = False
    trouble: str = ""
    blockers: tuple[Blocker, ...] = ()
    assigned: User | None = None
    """Who is to prepare it, where the crate was divided."""

    @property
    def open(self) -> bool:
        """Whether the track still needs a sheet for this crate, as ``selectors.open_places`` has it."""
        return self.state != "approved"


@dataclass(frozen=True, slots=True)
class _Known:
    """What was read of all tracks, by track (and by version)."""

    facts: dict[tuple[UUID, UUID], Facts]
    jobs: dict[tuple[UUID, str, str], Job]
    pending: dict[UUID, Proposal]
    returns: Counter[UUID]
    sheeted: set[UUID]
    blocked: _Blocked
    claims: dict[UUID, Claim]
    overridden: dict[UUID, tuple[Blocker, ...]]
    assigned: dict[tuple[UUID, UUID], User | None]


def standings_of(night: Night, crates: Mapping[UUID, Crate], places: Sequence[NightPlace]) -> list[Standing]:
    """Those of a night's ``places`` that somebody has to look at, crate by crate in the order of ``crates``: the open
    ones, then the ready ones whose sheet a blocker stops today. A track that is in two crates comes twice.

    Ready places are by far the most as a night comes near, so nothing more is read of those that nothing blocks.
    """
    now, factor = timezone.now(), factor_of(night.crew_id)
    severities = severities_of(night.crew)
    blocking = {check for check, severity in severities.items() if severity == "blocker"}
    open_ones = {place.pk for place in places if place.ready_since is None}
    ready = [place for place in places if place.ready_since is not None]
    blocked = _blocked({place.track for place in ready}, blocking)
    stopped = {place.pk for place in ready if (place.track, crates[place.crate].convention_version_id) in blocked}
    rows = _rows(crates, open_ones | stopped)
    known = _read(night, [row for row in rows if row.pk in open_ones], severities, blocked)
    rows.sort(key=lambda row: row.pk in stopped)
    return [_standing(row, known, factor, now) for row in rows]


def _rows(crates: Mapping[UUID, Crate], ids: Collection[UUID]) -> list[CrateTrack]:
    """These places with their tracks and crates, in order."""
    rank = {key: number for number, key in enumerate(crates)}
    # By crate as well: by the places' ids alone PostgreSQL reads every track that there is.
    places = CrateTrack.objects.filter(pk__in=ids, crate__in=crates).select_related("track")
    rows = list(places.order_by("position", "created_at"))
    for row in rows:
        row.crate = crates[row.crate_id]
    return sorted(rows, key=lambda row: rank[row.crate_id])


def _facts(places: Sequence[CrateTrack]) -> dict[tuple[UUID, UUID], Facts]:
    """What is known of open places' tracks, by track and version: four queries, and four more for each further version
    of the crates."""
    versions = {place.crate.convention_version_id: place.crate.convention_version for place in places}
    return {
        (track, key): facts
        for key, version in versions.items()
        for track, facts in facts_of(
            [place.track_id for place in places if place.crate.convention_version_id == key], version
        ).items()
    }


def _with_findings(tracks: Collection[UUID]) -> QuerySet[SheetVersion]:
    """The newest sheets of these tracks by each version in which a check found what nobody has answered."""
    newer = SheetVersion.objects.filter(
        track=OuterRef("track"), convention_version=OuterRef("convention_version"), number__gt=OuterRef("number")
    )
    newest = SheetVersion.objects.filter(~Exists(newer), track__in=tracks)
    return newest.exclude(findings=None).exclude(findings=[]).exclude(proposal__override_reason__gt="").order_by()


def _read(night: Night, places: Sequence[CrateTrack], severities: dict[str, Severity], blocked: _Blocked) -> _Known:
    """What there is to know of open places, beside what blocks the ready ones."""
    tracks = {place.track_id for place in places}
    # Oldest first, so that the newest is what stays in a dictionary.
    jobs = Job.objects.filter(track__in=tracks, state__in=[*LIVE_STATES, JobState.DEAD]).order_by("created_at")
    proposals = Proposal.objects.filter(track__in=tracks)
    pending = list(
        proposals.filter(state__in=[ProposalState.OPEN, ProposalState.RETURNED])
        .select_related("reviewed_by")
        .order_by()
    )
    sheets = SheetVersion.objects.filter(track__in=tracks).order_by()
    return _Known(
        facts=_facts(places),
        jobs={(job.track_id, job.kind, _version_of(job)): job for job in jobs},
        pending={proposal.track_id: proposal for proposal in pending},
        returns=_returns(proposals),
        sheeted=set(sheets.values_list("track_id", flat=True)),
        blocked=blocked,
        claims={claim.track_id: claim for claim in Claim.objects.filter(track__in=tracks).select_related("holder")},
        overridden=_overridden(night.crew, pending, severities),
        assigned={
            (one.crate_id, one.track_id): one.preparer
            for one in Assignment.objects.filter(crate__night=night).select_related("preparer")
        },
    )


def _blocked(tracks: Collection[UUID], blocking: set[str]) -> _Blocked:
    """What blocks these tracks' sheets by today's severities."""
    columns = ("track_id", "convention_version_id", "number", "findings")
    found: _Blocked = {}
    for track, version, number, findings in _with_findings(tracks).values_list(*columns):
        blockers = tuple(Blocker(one["slot"], one["sentence"]) for one in findings if one["check"] in blocking)
        if blockers:
            found[track, version] = number, blockers
    return found


def _version_of(job: Job) -> str:
    return str(job.params.get("convention_version", "")) if job.kind == JobKind.DRAFT else ""


def _returns(proposals: QuerySet[Proposal]) -> Counter[UUID]:
    """How often proposals that were not approved were returned, by track; from the record, in one query."""
    told = (
        Activity.objects.filter(verb="returned", subject_kind="proposal", subject_id=OuterRef("pk"))
        .order_by()
        .values("subject_id")
        .annotate(number=Count("*"))
        .values("number")
    )
    returned = proposals.exclude(state=ProposalState.APPROVED).annotate(times=Subquery(told)).exclude(times=None)
    counted: Counter[UUID] = Counter()
    for track, times in returned.order_by().values_list("track_id", "times"):
        counted[track] += times
    return counted


def _overridden(
    crew: Crew, pending: Sequence[Proposal], severities: dict[str, Severity]
) -> dict[UUID, tuple[Blocker, ...]]:
    """What blocks the pending proposals, by proposal.

    Only those with a reason why a blocker may stay can have one: without it they would not have been taken. So the
    facts, which are large, are read for few.
    """
    few = [proposal.pk for proposal in pending if proposal.override_reason]
    found: dict[UUID, tuple[Blocker, ...]] = {}
    if not few:
        return found
    proposals = Proposal.objects.filter(crew=crew, pk__in=few).select_related("analysis", "convention_version")
    for proposal in proposals.prefetch_related("markers", "convention_version__slots"):
        markers = [MarkerInput(one.slot, one.start_us, one.end_us, one.label) for one in proposal.markers.all()]
        slots = list(proposal.convention_version.slots.all())
        findings = check_sheet(markers, slots, proposal.analysis.result, severities)
        found[proposal.pk] = tuple(
            Blocker(finding.slot, finding.sentence) for finding in findings if finding.severity == "blocker"
        )
    return found


def _standing(place: CrateTrack, known: _Known, factor: CrewFactor, now: dt.datetime) -> Standing:
    """Where a place stands; of a ready one, which has no facts, only what blocks it is told."""
    track, version = place.track, place.crate.convention_version_id
    facts = known.facts.get((track.pk, version))
    claim = known.claims.get(track.pk)
    live = claim is not None and claim.until > now
    pending = known.pending.get(track.pk)
    proposal = pending if pending is not None and pending.convention_version_id == version else None
    state, trouble = _state(place, known, facts, proposal=proposal, held=live)
    rechecked = facts is not None and track.pk in known.sheeted
    number, blockers = (None, known.overridden.get(proposal.pk, ()) if proposal else ())
    if facts is None:
        number, blockers = known.blocked.get((track.pk, version), (None, ()))
    return Standing(
        place=place,
        state=state,
        minutes=minutes_left(state, estimate(facts, factor), rechecked=rechecked, trouble=trouble) if facts else 0.0,
        holder=claim.holder if claim else None,
        touched_at=claim.until - CLAIM_FOR if claim else None,
        lapsed=claim is not None and not live,
        proposal=proposal,
        other_proposal=pending is not None and proposal is None,
        returns=known.returns[track.pk],
        steady=facts is None or facts.steady,
        confidence=facts.confidence if facts else None,
        sheet_number=number,
        rechecked=rechecked,
        trouble=trouble,
        blockers=blockers,
        assigned=known.assigned.get((place.crate_id, track.pk)),
    )


def _state(
    place: CrateTrack, known: _Known, facts: Facts | None, *, proposal: Proposal | None, held: bool
) -> tuple[str, str]:
    """The state, and what keeps anybody from beginning."""
    track = place.track
    if facts is None:
        return "approved", ""
    if track.state == TrackState.REFUSED:
        return "nothing", "refused"
    if track.state == TrackState.CHECKING:
        job = known.jobs.get((track.pk, JobKind.ANALYSE, ""))
        return ("nothing", "given-up") if job is not None and job.state == JobState.DEAD else ("analysing", "")
    if proposal is not None:
        return ("review" if proposal.state == ProposalState.OPEN else "returned"), ""
    if held:
        return "held", "" if facts.drafted else "no-draft"
    if facts.drafted:
        return "draft", ""
    job = known.jobs.get((track.pk, JobKind.DRAFT, str(place.crate.convention_version_id)))
    if job is not None:
        return ("nothing", "given-up") if job.state == JobState.DEAD else ("analysing", "")
    return "nothing", "no-draft"
