"""Where each track of a crate stands, in words; a fixed number of queries for any number of tracks."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeVar
from uuid import UUID

from django.conf import settings
from django.db.models import QuerySet

from crewprep.analysis.models import Analysis
from crewprep.common.messages import sentence_for
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.selectors import places_before, places_of
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.library.selectors import CrateCounts, counts_of
from crewprep.preparation.models import Assignment, Claim
from crewprep.preparation.selectors import assignments_of, live_claims
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.models import Draft, SheetVersion
from crewprep.sheets.selectors import has_sheet
from crewprep.tracks.models import Track, TrackState
from crewprep.web.words import count_of

_OfTrack = TypeVar("_OfTrack", Analysis, SheetVersion)

Tone = Literal["plain", "wait", "good", "bad", "note"]


@dataclass(frozen=True, slots=True)
class State:
    """A state that a track can be in: its words, what they mean, and whether a worker will move it on."""

    words: str
    meaning: str
    tone: Tone = "plain"
    live: bool = False


STATES: dict[str, State] = {
    "waiting": State("Waiting for a worker", "It is uploaded and stands in line to be analysed.", "wait", live=True),
    "analysing": State("Being analysed", "A worker is at it; the stage stands beside it.", "wait", live=True),
    "drafting": State("Waiting for its draft", "It is analysed; the draft follows in a moment.", "wait", live=True),
    "again": State(
        "Waiting to be tried again", "The work stopped; a worker tries it again by itself.", "wait", live=True
    ),
    "draft": State("Draft ready", "Open it, correct the markers and propose a sheet.", "note"),
    "no-draft": State("Analysed, without a draft", "Open it and set the markers yourself.", "note"),
    "open": State("Proposal open", "Somebody proposed a sheet; another member reviews it.", "note"),
    "returned": State("Returned", "The reviewer asked for changes; make them and it is open again.", "wait"),
    "approved": State("Approved", "It has its sheet, with the number of the version.", "good"),
    "re-check": State(
        "To check again", "Its sheet is by another version of the convention and says something else now.", "wait"
    ),
    "refused": State("Refused", "The file cannot be used; the sentence says why and what to do.", "bad"),
    "given-up": State("Given up", "The work stopped too often. A lead or resident may retry it.", "bad"),
}
"""Every state of a track in a crate, by its name."""


@dataclass(frozen=True, slots=True)
class CrateRow:
    """A track in a crate with what is known of it. ``retry`` is a given-up job; ``done``: it has a sheet that
    counts under the crate's version."""

    track: Track
    position: int
    state: State
    words: str
    detail: str
    analysis: Analysis | None
    warnings: tuple[str, ...]
    retry: Job | None
    proposal: Proposal | None
    sheet: SheetVersion | None
    claim: Claim | None
    assignment: Assignment | None
    done: bool

    @property
    def given_to(self) -> str:
        """Who is to do it: ``For Ana; Ben reviews it``; empty where nobody is, or nothing is left."""
        if self.assignment is None or self.done:
            return ""
        preparer, reviewer = self.assignment.preparer, self.assignment.reviewer
        said = [f"For {preparer}" if preparer else "", f"{reviewer} reviews it" if reviewer else ""]
        return "; ".join(one for one in said if one)


ROWS_A_PAGE = 50

_SHOWN = ("track", "duration_us", "tempo_bpm", "steady", "key_name", "loudness_lufs", "thumbnail")


@dataclass(frozen=True, slots=True)
class CrateState:
    """A page of a crate's rows and the counts of all. ``seen`` is the same as long as nothing that is shown changes."""

    rows: tuple[CrateRow, ...]
    counts: CrateCounts
    page: int
    seen: str

    @property
    def pages(self) -> int:
        """How many pages the crate fills."""
        return max(1, -(-self.counts.tracks // ROWS_A_PAGE))

    @property
    def live(self) -> bool:
        """Whether a worker will still change something."""
        return self.counts.working > 0 or any(row.state.live for row in self.rows)

    @property
    def summary(self) -> str:
        """How the crate stands, in one line: ``12 tracks: 3 approved, 2 with a worker, 1 needs you``."""
        counts = self.counts
        if not counts.tracks:
            return "No tracks yet"
        parts = [
            (counts.approved, "{} approved"),
            (counts.again, "{} to check again"),
            (counts.working, "{} with the workers"),
            (counts.open, "{} in review"),
            (counts.refused, "{} refused"),
            (counts.given_up, "{} given up"),
        ]
        told = ", ".join(words.format(number) for number, words in parts if number)
        return f"{count_of(counts.tracks, 'track')}{': ' + told if told else ''}"


def crate_state(crate: Crate, page: int = 1) -> CrateState:
    """Where the tracks of a page of a crate stand; a page that is not there is the nearest that is."""
    counts = counts_of(crate)
    page = max(1, min(page, -(-counts.tracks // ROWS_A_PAGE)))
    first = (page - 1) * ROWS_A_PAGE
    # By their ids, which are found first: sorting whole rows to skip thousands of them takes PostgreSQL 20 ms.
    here = places_of(crate).values("pk")[first : first + ROWS_A_PAGE]
    rows = _rows(crate, list(_places(crate).filter(pk__in=here)), first)
    shown = repr(
        [
            counts,
            [
                (row.track.pk, row.track.title, row.track.artist, row.words, row.detail, str(row.claim), row.given_to)
                for row in rows
            ],
        ]
    )
    return CrateState(rows, counts, page, hashlib.sha256(shown.encode()).hexdigest()[:16])


def crate_row(crate: Crate, track: Track) -> CrateRow | None:
    """Where one track of a crate stands, or None where it is not in it."""
    place = _places(crate).filter(track=track).first()
    return None if place is None else _rows(crate, [place], places_before(place))[0]


def _places(crate: Crate) -> QuerySet[CrateTrack]:
    return places_of(crate).annotate(done=has_sheet())


def _rows(crate: Crate, places: list[CrateTrack], before: int) -> tuple[CrateRow, ...]:
    """The rows of places: seven queries, and one more where a sheet does not count any more."""
    tracks = [place.track for place in places]
    ids = [track.pk for track in tracks]
    # The facts hold every beat; a list needs none of them.
    analyses = _first_by_track(Analysis.objects.filter(track__in=ids).only(*_SHOWN).order_by("-created_at"))
    drafted = set(
        Draft.objects.filter(track__in=ids, convention_version=crate.convention_version_id)
        .order_by()
        .values_list("analysis_id", flat=True)
    )
    jobs = _jobs(crate, ids)
    pending = {
        proposal.track_id: proposal
        for proposal in Proposal.objects.filter(
            track__in=ids, state__in=[ProposalState.OPEN, ProposalState.RETURNED]
        ).select_related("proposed_by")
    }
    sheets = _first_by_track(
        SheetVersion.objects.filter(track__in=ids).only("track", "number", "convention_version").order_by("-number")
    )
    older = {sheets[place.track_id].convention_version_id for place in places if _again(place, sheets)}
    rules = ConventionVersion.objects.select_related("convention").in_bulk(older)
    claims, assignments = live_claims(ids), assignments_of(crate, ids)
    return tuple(
        _row(
            place.track, number, analyses.get(place.track_id), drafted, jobs, pending.get(place.track_id),
            sheets.get(place.track_id), rules, claims.get(place.track_id), assignments.get(place.track_id),
            place.done,  # type: ignore[attr-defined]  # annotated by _places
        )
        for number, place in enumerate(places, start=before + 1)
    )  # fmt: skip


def _again(place: CrateTrack, sheets: Mapping[UUID, SheetVersion]) -> bool:
    """Whether a track has a sheet that does not count here, so that the page says by which rules it is."""
    return place.track_id in sheets and not place.done  # type: ignore[attr-defined]  # annotated by _places


def _first_by_track(rows: Iterable[_OfTrack]) -> dict[UUID, _OfTrack]:
    found: dict[UUID, _OfTrack] = {}
    for row in rows:
        found.setdefault(row.track_id, row)
    return found


def _jobs(crate: Crate, ids: list[UUID]) -> dict[tuple[UUID, str], Job]:
    """The newest unsettled job of each track and kind; of drafts, those by this crate's convention."""
    found: dict[tuple[UUID, str], Job] = {}
    unsettled = Job.objects.filter(track__in=ids, state__in=[JobState.QUEUED, JobState.LEASED, JobState.DEAD])
    for job in unsettled.order_by("-created_at"):
        if job.kind == JobKind.DRAFT and job.params.get("convention_version") != str(crate.convention_version_id):
            continue
        found.setdefault((job.track_id, job.kind), job)
    return found


def _row(
    track: Track,
    position: int,
    analysis: Analysis | None,
    drafted: set[UUID],
    jobs: dict[tuple[UUID, str], Job],
    proposal: Proposal | None,
    sheet: SheetVersion | None,
    rules: Mapping[UUID, ConventionVersion],
    claim: Claim | None,
    assignment: Assignment | None,
    done: bool,
) -> CrateRow:
    name, detail, retry = "no-draft", "", None
    analyse, draft = jobs.get((track.pk, JobKind.ANALYSE)), jobs.get((track.pk, JobKind.DRAFT))
    if track.state == TrackState.REFUSED:
        name, detail = "refused", sentence_for(track.refusal_code)
    elif track.state == TrackState.CHECKING:
        name, detail, retry = _work_state(analyse, "waiting", "analysing")
    elif proposal is not None:
        name = "open" if proposal.state == ProposalState.OPEN else "returned"
        detail = f"by {proposal.proposed_by}"
    elif sheet is not None:
        name = "approved" if done else "re-check"
    elif analysis is not None and analysis.pk in drafted:
        name = "draft"
    elif draft is not None:
        name, detail, retry = _work_state(draft, "drafting", "drafting")
    state = STATES[name]
    words = state.words
    if name == "approved" and sheet is not None:
        words = f"Approved, version {sheet.number}"
    elif name == "re-check" and sheet is not None:
        detail = f"version {sheet.number} is by “{rules[sheet.convention_version_id]}”"
    elif sheet is not None:
        detail = f"{detail}; version {sheet.number} is approved".removeprefix("; ")
    return CrateRow(
        track=track,
        position=position,
        state=state,
        words=words,
        detail=detail,
        analysis=analysis,
        warnings=tuple(sentence_for(code) for code in track.warnings),
        retry=retry,
        proposal=proposal,
        sheet=sheet,
        claim=claim,
        assignment=assignment,
        done=done,
    )


def _work_state(job: Job | None, waiting: str, working: str) -> tuple[str, str, Job | None]:
    """State, detail and what may be retried, of a track that a worker has to move on."""
    if job is None or (job.state == JobState.QUEUED and job.attempt == 0):
        return waiting, "", None
    if job.state == JobState.DEAD:
        return "given-up", job.error_detail, job
    if job.state == JobState.QUEUED:
        return "again", f"attempt {job.attempt + 1} of {settings.JOB_MAX_ATTEMPTS}", None
    return working, job.stage, None
