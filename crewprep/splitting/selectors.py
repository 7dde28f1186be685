"""What is to do in a crate, who is to do it, and what a split of it would look like."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from uuid import UUID

from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.selectors import places_of
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.crews.selectors import members_of
from crewprep.preparation.estimate import CrewFactor, Estimate
from crewprep.preparation.models import Assignment
from crewprep.preparation.selectors import assigned_to, assignments_of, estimates_of, live_claims, split_of
from crewprep.preparation.times import factor_of
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.selectors import has_sheet
from crewprep.splitting.rule import Hand, Task, divide
from crewprep.tracks.models import Track, TrackState

PART_LEFT = 3
"""A returned proposal, or a sheet by another version, takes a third of the minutes to put right: most of its markers
stand. A guess of ours."""


class Stage(StrEnum):
    """What a track still needs."""

    PREPARE = "to prepare"
    RECHECK = "to check again"
    RETURNED = "returned"
    REVIEW = "to review"


@dataclass(frozen=True, slots=True)
class TrackToDo:
    """A track of a crate without a sheet by the crate's version: minutes that are left, and who is to do it.

    ``preparer`` and ``reviewer`` are ids of users, None for nobody. ``settled`` says why the preparer cannot be another
    one: ``holds it`` or ``proposed it``; empty where a split may change it. ``authors`` had a hand in the proposal.
    """

    track: Track
    position: int
    stage: Stage
    estimate: Estimate
    prepare: int
    review: int
    preparer: int | None = None
    reviewer: int | None = None
    settled: str = ""
    authors: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class CrateToDo:
    """All tracks of a crate without a sheet by its version, the members, and how it was divided (revision 0: never)."""

    crate: Crate
    revision: int
    free: Mapping[int, int]
    members: Sequence[Membership]
    factor: CrewFactor
    tracks: Sequence[TrackToDo]

    @property
    def prepare(self) -> int:
        """Minutes to prepare what is left."""
        return sum(one.prepare for one in self.tracks)

    @property
    def review(self) -> int:
        """Minutes to review what is left."""
        return sum(one.review for one in self.tracks)


@dataclass(frozen=True, slots=True)
class Load:
    """What a split gives one member: tracks and minutes to prepare and to review, against their free minutes."""

    member: Membership
    free: int
    to_prepare: int
    prepare: int
    to_review: int
    review: int

    @property
    def total(self) -> int:
        """Minutes in all."""
        return self.prepare + self.review

    @property
    def over(self) -> int:
        """Minutes that do not fit the free ones."""
        return max(self.total - self.free, 0)


@dataclass(frozen=True, slots=True)
class Preview:
    """A crate as a split would leave it. Nothing is stored."""

    to_do: CrateToDo
    tracks: Sequence[TrackToDo]
    loads: Sequence[Load]

    @property
    def without_preparer(self) -> list[TrackToDo]:
        """Tracks that nobody is to prepare."""
        return [one for one in self.tracks if one.preparer is None and one.prepare]

    @property
    def without_reviewer(self) -> list[TrackToDo]:
        """Tracks that nobody is to review, of those that somebody prepares."""
        return [one for one in self.tracks if one.reviewer is None and (one.preparer is not None or not one.prepare)]


@dataclass(frozen=True, slots=True)
class MyTrack:
    """Something that a member is to do: prepare a track, or review it."""

    assignment: Assignment
    minutes: int
    proposal: Proposal | None = None


@dataclass(frozen=True, slots=True)
class MyTracks:
    """What a member is to do now, and how many reviews come once others have proposed."""

    prepare: Sequence[MyTrack]
    review: Sequence[MyTrack]
    later: int

    @property
    def minutes(self) -> int:
        """Minutes of what can be done now."""
        return sum(one.minutes for one in (*self.prepare, *self.review))


def to_do_in(crate: Crate, member: Membership) -> CrateToDo:
    """What is to do in the crate, a fixed number of queries for any number of tracks."""
    # Whether it is done comes with the place, so that it costs no question of its own.
    places = [
        place
        for place in places_of(crate).annotate(done=has_sheet())
        if not place.done and place.track.state != TrackState.REFUSED
    ]
    left = [place.track_id for place in places]
    sheeted = set(SheetVersion.objects.filter(track__in=left).order_by().values_list("track_id", flat=True))
    factor, members, split = factor_of(crate.crew_id), list(members_of(member)), split_of(crate)
    estimates = estimates_of(left, crate.convention_version, factor)
    claims, assigned, pending = live_claims(left), assignments_of(crate), _pending(left)
    inside = {one.user_id: one for one in members}
    tracks = []
    for place in places:
        key = place.track_id
        plain = _needs(place, estimates[key], pending.get(key), has_sheet=key in sheeted)
        proposal, claim, row = pending.get(key), claims.get(key), assigned.get(key)
        if proposal is not None and proposal.changed_by_id in inside:
            plain = replace(plain, preparer=proposal.changed_by_id, settled="proposed it")
        if claim is not None and plain.stage is not Stage.REVIEW and claim.holder_id in inside:
            plain = replace(plain, preparer=claim.holder_id, settled="holds it")
        if row is not None:
            plain = _assigned(plain, row, inside)
        tracks.append(plain)
    free = {int(user): minutes for user, minutes in split.free_minutes.items()} if split else {}
    return CrateToDo(crate, split.revision if split else 0, free, members, factor, tracks)


def preview_of(to_do: CrateToDo, free: Mapping[int, int], *, keep: bool = True, out: Collection[int] = ()) -> Preview:
    """Divide what is to do among those with free minutes (by the user's id).

    What is held or proposed stays; with ``keep`` so does what is assigned. Those who are ``out`` keep nothing but what
    waits for a review.
    """
    tracks = [_loosened(one, keep, out) for one in to_do.tracks]
    hands = [
        Hand(one.user_id, free.get(one.user_id, 0), bool(may_review_at_all(one)))
        for one in to_do.members
        if one.user_id not in out
    ]
    tasks = [Task(one.track.pk, one.prepare, one.review, one.authors, one.preparer, one.reviewer) for one in tracks]
    shares = divide(tasks, hands)
    given = [
        replace(one, preparer=share.preparer, reviewer=share.reviewer)
        for one, share in zip(tracks, shares, strict=True)
    ]
    return as_preview(to_do, given, {hand.user: hand.free for hand in hands})


def without(to_do: CrateToDo, out: Collection[int]) -> CrateToDo:
    """What is to do once those who are out have left what they have not proposed."""
    return replace(to_do, tracks=[_loosened(one, True, out) for one in to_do.tracks])


def as_preview(to_do: CrateToDo, tracks: Sequence[TrackToDo], free: Mapping[int, int]) -> Preview:
    """The loads of members for these tracks: of those with free minutes or something to do."""
    loads = []
    for member in to_do.members:
        user = member.user_id
        mine = [one for one in tracks if one.preparer == user and one.prepare]
        theirs = [one for one in tracks if one.reviewer == user]
        load = Load(
            member, free.get(user, 0), len(mine), sum(one.prepare for one in mine), len(theirs),
            sum(one.review for one in theirs),
        )  # fmt: skip
        if load.free or load.total:
            loads.append(load)
    return Preview(to_do, tracks, loads)


def my_tracks(member: Membership) -> MyTracks:
    """What the member is to do in all crates of the crew, those of the next night first."""
    rows = list(assigned_to(member))
    pending = _pending([row.track_id for row in rows])
    prepare, review, later = [], [], 0
    for row in rows:
        proposal = pending.get(row.track_id)
        is_open = proposal is not None and proposal.state == ProposalState.OPEN
        authors = _authors(proposal)
        if row.preparer_id == member.user_id and not is_open:
            prepare.append(MyTrack(row, row.minutes if proposal is None else _to_put_right(row.minutes)))
        elif row.reviewer_id == member.user_id and is_open and member.user_id not in authors:
            review.append(MyTrack(row, row.review_minutes, proposal))
        elif row.reviewer_id == member.user_id and not is_open:
            later += 1
    return MyTracks(prepare, review, later)


def _pending(track_ids: Collection[UUID]) -> dict[UUID, Proposal]:
    found = Proposal.objects.filter(track__in=track_ids, state__in=[ProposalState.OPEN, ProposalState.RETURNED])
    return {one.track_id: one for one in found.prefetch_related("contributors")}


def _authors(proposal: Proposal | None) -> frozenset[int]:
    if proposal is None:
        return frozenset()
    by = {proposal.proposed_by_id, proposal.changed_by_id}
    return frozenset(by | {person.pk for person in proposal.contributors.all()})


def _needs(place: CrateTrack, estimate: Estimate, proposal: Proposal | None, *, has_sheet: bool) -> TrackToDo:
    stage, prepare = Stage.PREPARE, estimate.prepare
    if has_sheet:
        stage, prepare = Stage.RECHECK, _to_put_right(prepare)
    if proposal is not None:
        is_open = proposal.state == ProposalState.OPEN
        stage, prepare = (Stage.REVIEW, 0) if is_open else (Stage.RETURNED, _to_put_right(estimate.prepare))
    return TrackToDo(place.track, place.position, stage, estimate, prepare, estimate.review, authors=_authors(proposal))


def _to_put_right(minutes: int) -> int:
    return max(round(minutes / PART_LEFT), 1)


def _assigned(one: TrackToDo, row: Assignment, inside: Mapping[int, Membership]) -> TrackToDo:
    """With who is assigned, as far as they are still there and may still do it."""
    if not one.settled and row.preparer_id in inside:
        one = replace(one, preparer=row.preparer_id)
    reviewer = inside.get(row.reviewer_id or 0)
    if reviewer is None or not may_review_at_all(reviewer):
        return one
    if reviewer.user_id == one.preparer or reviewer.user_id in one.authors:
        return one
    return replace(one, reviewer=reviewer.user_id)


def _loosened(one: TrackToDo, keep: bool, out: Collection[int]) -> TrackToDo:
    """Without those whom a new split may replace."""
    if one.preparer in out and one.stage is not Stage.REVIEW:
        one = replace(one, preparer=None, settled="")
    if not keep and not one.settled:
        one = replace(one, preparer=None)
    if not keep or one.reviewer in out:
        one = replace(one, reviewer=None)
    return one
