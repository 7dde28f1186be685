"""Applying a split, and dividing again when somebody drops out.

The crate's split has a revision: whoever applies names the one that was looked at, so that of two leads one wins and
the other looks again.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import F

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.preparation.models import Assignment, Claim, Split
from crewprep.splitting.rules import may_split
from crewprep.splitting.selectors import CrateToDo, Stage, TrackToDo, preview_of, to_do_in

MOST_MINUTES = 7 * 24 * 60
"""Free minutes of one member: a week has no more."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Who is to prepare and to review a track (ids of users), None for nobody."""

    track: UUID
    preparer: int | None
    reviewer: int | None


def apply_split(
    *,
    member: Membership,
    crate: Crate,
    wanted: Sequence[Wanted],
    seen_revision: int,
    free: Mapping[int, int],
    out: Collection[int] = (),
) -> Split:
    """Write who is to do which track; a track that is not named is nobody's any more. What those who are ``out`` hold
    is let go.

    Raises ``Refused``; ``Conflict`` where the crate was split meanwhile, or somebody else holds or has proposed a track
    by now; ``Invalid`` for a reviewer who may not be one. Then nothing is changed.
    """
    may_split(member).require()
    with transaction.atomic():
        split = _next_revision(crate, seen_revision, free)
        to_do = to_do_in(crate, member)
        _let_go(member, to_do, out)
        left = {one.track.pk: one for one in to_do.tracks}
        rows = [_row(crate, to_do, left.get(one.track), one, out) for one in wanted]
        if len({row.track_id for row in rows}) < len(rows):
            raise Invalid("split:twice")
        Assignment.objects.filter(crate=crate, track__in=left).delete()
        Assignment.objects.bulk_create(row for row in rows if row.preparer_id or row.reviewer_id)
        record(
            actor=member.user, verb="crate split", subject=crate, name=crate.name, revision=split.revision,
            tracks=sum(row.preparer_id is not None for row in rows),
            members=len({row.preparer_id for row in rows} - {None}),
        )  # fmt: skip
    return split


def split_again(
    *, member: Membership, crate: Crate, out: Membership, seen_revision: int, free: Mapping[int, int] | None = None
) -> Split:
    """Somebody drops out: their unfinished tracks go to the others, all else stays.

    ``free`` are the others' minutes, by default those of the last split. Raises as ``apply_split``.
    """
    may_split(member).require()
    to_do = to_do_in(crate, member)
    minutes = {user: room for user, room in (to_do.free if free is None else free).items() if user != out.user_id}
    preview = preview_of(to_do, minutes, out=[out.user_id])
    wanted = [Wanted(one.track.pk, one.preparer, one.reviewer) for one in preview.tracks]
    return apply_split(
        member=member, crate=crate, wanted=wanted, seen_revision=seen_revision, free=minutes, out=[out.user_id]
    )


def _next_revision(crate: Crate, seen: int, free: Mapping[int, int]) -> Split:
    given = {str(user): minutes for user, minutes in free.items() if minutes > 0}
    if seen == 0:
        try:
            with transaction.atomic():
                return Split.objects.create(crew_id=crate.crew_id, crate=crate, free_minutes=given)
        except IntegrityError as error:
            raise Conflict("split:moved-on") from error
    if not Split.objects.filter(crate=crate, revision=seen).update(revision=F("revision") + 1, free_minutes=given):
        raise Conflict("split:moved-on")
    return Split.objects.get(crate=crate)


def _let_go(member: Membership, to_do: CrateToDo, out: Collection[int]) -> None:
    for one in to_do.tracks:
        if one.settled == "holds it" and one.preparer in out:
            claim = Claim.objects.filter(track=one.track, holder=one.preparer).first()
            if claim is not None and Claim.objects.filter(pk=claim.pk, since=claim.since).delete()[0]:
                record(actor=member.user, verb="track released", subject=claim, track=one.track.title)


def _row(crate: Crate, to_do: CrateToDo, one: TrackToDo | None, wanted: Wanted, out: Collection[int]) -> Assignment:
    """The assignment, checked against how the track stands now."""
    if one is None:
        raise Conflict("split:done")
    inside = {member.user_id: member for member in to_do.members}
    title, preparer, reviewer = one.track.title, wanted.preparer, wanted.reviewer
    if not {preparer, reviewer} <= {None, *inside}:
        raise Invalid("split:stranger", track=title)
    freed = one.preparer in out and one.stage is not Stage.REVIEW
    if one.settled and not freed and one.preparer is not None and preparer != one.preparer:
        raise Conflict("split:settled", by=str(inside[one.preparer].user), how=one.settled, track=title)
    if reviewer is not None:
        if reviewer == preparer or reviewer in one.authors:
            raise Invalid("split:own", by=str(inside[reviewer].user), track=title)
        if not may_review_at_all(inside[reviewer]):
            raise Invalid("split:not-yet", by=str(inside[reviewer].user), track=title)
    return Assignment(
        crew_id=crate.crew_id, crate=crate, track=one.track, preparer_id=preparer, reviewer_id=reviewer,
        minutes=one.prepare if one.stage is Stage.RECHECK else one.estimate.prepare, review_minutes=one.review,
    )  # fmt: skip
