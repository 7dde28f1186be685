"""Double marking: several members mark the same tracks by one version, each without the others' markers or the draft.

What somebody has marked is theirs alone. Who has handed in all of theirs sees what others have handed in; the rest of
the crew sees it when the last sheet is in, or when a lead closes the marking earlier. All mark on the analysis that the
track had when it was opened, so that positions mean the same to each of them.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Count, F, Q, QuerySet
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.common.access import Allowed, Answer, Denied
from crewprep.common.errors import Conflict, Invalid, NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership, User
from crewprep.crews.rules import may_lead, may_review_at_all
from crewprep.onboarding.models import BlindSheet, DoubleMarking
from crewprep.preparation.models import Claim
from crewprep.review.models import Proposal, Remark
from crewprep.sheets.markers import MarkerInput, check_markers
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Track, TrackState
from crewprep.tracks.selectors import tracks_of

LEAST_MEMBERS, MOST_MEMBERS = 2, 12
MOST_TRACKS = 50


@dataclass(frozen=True, slots=True)
class Sample:
    """So many tracks drawn by a seed: the same seed draws the same tracks of the same ones."""

    size: int
    seed: int


@dataclass(frozen=True, slots=True)
class SheetCounts:
    """How many sheets a double marking has, and where they stand."""

    total: int
    handed_in: int
    mine: int
    mine_left: int


@dataclass(frozen=True, slots=True)
class Progress:
    """How many of their sheets a member has handed in."""

    person: User
    handed_in: int
    total: int

    @property
    def done(self) -> bool:
        """Whether nothing is left."""
        return self.handed_in == self.total


def may_see_report(member: Membership, marking: DoubleMarking) -> Answer:
    """Others' markers and the figures: whoever has handed in all of theirs, and everybody once it is closed."""
    if marking.closed_at is not None:
        return Allowed()
    mine = list(marking.sheets.filter(by=member.user_id).values_list("handed_in_at", flat=True))
    return Allowed() if mine and all(mine) else Denied("double:not-yet")


def tracks_for(member: Membership, people: Sequence[int]) -> QuerySet[Track]:
    """The crew's analysed tracks of which none of these users (by id) has brought forward, reviewed, kept or held the
    markers, nor marked them in a double marking before."""

    def theirs(*names: str) -> Q:
        return Q(*((f"{name}__in", people) for name in names), _connector=Q.OR)

    def tracks_in(rows: QuerySet[Proposal] | QuerySet[KeptSheet] | QuerySet[Claim] | QuerySet[BlindSheet]) -> Q:
        return Q(pk__in=rows.filter(crew=member.crew).values("track"))

    authors = theirs("proposed_by", "changed_by", "contributors", "first_approved_by", "reviewed_by")
    talked = Q(pk__in=Remark.objects.filter(theirs("by"), proposal__crew=member.crew).values("proposal"))
    known = (
        tracks_in(Proposal.objects.filter(authors | talked))
        | tracks_in(KeptSheet.objects.filter(theirs("member")))
        | tracks_in(Claim.objects.filter(theirs("holder")))
        | tracks_in(BlindSheet.objects.filter(theirs("by")))
    )
    analysed = Analysis.objects.filter(track__crew=member.crew).values("track")
    return tracks_of(member).filter(state=TrackState.READY, pk__in=analysed).exclude(known)


def open_double_marking(
    *,
    member: Membership,
    name: str,
    version: ConventionVersion,
    tracks: Sequence[Track] | Sample,
    members: Sequence[Membership],
) -> DoubleMarking:
    """Have members mark tracks, chosen or drawn, without seeing each other (leads).

    Raises ``Invalid`` for a missing name, for fewer than two members or one who may not review, for no track, for one
    that a member knows or that is not analysed, and where there are not so many to draw; ``Conflict`` for a name that
    another double marking of the crew has.
    """
    may_lead(member).require()
    name = name.strip()[:60]
    if not name:
        raise Invalid("double:name-missing")
    people = {one.user_id: one for one in members}
    if not LEAST_MEMBERS <= len(people) <= MOST_MEMBERS:
        raise Invalid("double:members", least=LEAST_MEMBERS, most=MOST_MEMBERS)
    for one in people.values():
        if not may_review_at_all(one):
            raise Invalid("double:not-a-reviewer", name=str(one.user))
    with transaction.atomic():
        chosen = _chosen(member, tracks, list(people))
        try:
            with transaction.atomic():
                marking = DoubleMarking.objects.create(
                    crew=member.crew, convention_version=version, made_by=member.user, name=name
                )
        except IntegrityError as error:
            raise Conflict("double:name-taken", name=name) from error
        marking.tracks.set(chosen)
        marking.members.set(people)
        newest = _newest_analyses(chosen)
        BlindSheet.objects.bulk_create(
            BlindSheet(crew=member.crew, double_marking=marking, track=track, by=one.user, analysis=newest[track.pk])
            for track in chosen
            for one in people.values()
        )
        drawn = {"seed": tracks.seed} if isinstance(tracks, Sample) else {}
        record(
            actor=member.user, verb="double marking opened", subject=marking, name=name, tracks=len(chosen),
            members=len(people), **drawn,
        )  # fmt: skip
    return marking


def _chosen(member: Membership, tracks: Sequence[Track] | Sample, people: Sequence[int]) -> list[Track]:
    """The tracks to mark, each once."""
    free = tracks_for(member, people)
    if isinstance(tracks, Sample):
        found = list(free.order_by("pk"))
        if not 1 <= tracks.size <= MOST_TRACKS:
            raise Invalid("double:tracks", most=MOST_TRACKS)
        if len(found) < tracks.size:
            raise Invalid("double:too-few-tracks", found=len(found))
        return random.Random(tracks.seed).sample(found, tracks.size)
    wanted = {track.pk: track for track in tracks}
    if not 1 <= len(wanted) <= MOST_TRACKS:
        raise Invalid("double:tracks", most=MOST_TRACKS)
    known = wanted.keys() - set(free.filter(pk__in=wanted).values_list("pk", flat=True))
    if known:
        raise Invalid("double:track-known", title=min(wanted[pk].title for pk in known))
    return list(wanted.values())


def _newest_analyses(tracks: Sequence[Track]) -> dict[UUID, Analysis]:
    rows = Analysis.objects.filter(track__in=tracks).defer("facts").order_by("created_at")
    return {row.track_id: row for row in rows}


def double_markings_of(member: Membership) -> QuerySet[DoubleMarking]:
    """The crew's double markings, newest first."""
    return DoubleMarking.objects.filter(crew=member.crew).select_related("convention_version__convention", "made_by")


def counts_of(member: Membership, markings: Iterable[DoubleMarking]) -> dict[UUID, SheetCounts]:
    """How many sheets each double marking has, how many are in, and how many of the member's own are not."""
    mine = Q(by=member.user_id)
    rows = (
        BlindSheet.objects.filter(crew=member.crew, double_marking__in=list(markings))
        .values("double_marking")
        .annotate(
            total=Count("pk"), handed_in=Count("handed_in_at"), mine=Count("pk", filter=mine),
            mine_left=Count("pk", filter=mine & Q(handed_in_at=None)),
        )
    )  # fmt: skip
    return {
        row["double_marking"]: SheetCounts(row["total"], row["handed_in"], row["mine"], row["mine_left"])
        for row in rows
    }


def double_marking_for(member: Membership, marking_id: UUID) -> DoubleMarking:
    """The only way for a request to reach a double marking; raises ``NotFound`` for another crew's as for none."""
    found = double_markings_of(member).filter(pk=marking_id).first()
    if found is None:
        raise NotFound
    return found


def blind_sheet_for(member: Membership, marking: DoubleMarking, track_id: UUID) -> BlindSheet:
    """One's own sheet of a track; another's is never here, for leads as for none. Raises ``NotFound``."""
    found = _own(member, marking).filter(track=track_id).first()
    if found is None:
        raise NotFound
    return found


def blind_sheets_of(member: Membership, marking: DoubleMarking) -> list[BlindSheet]:
    """One's own sheets, by the title of the track."""
    return list(_own(member, marking).order_by("track__title", "track"))


def _own(member: Membership, marking: DoubleMarking) -> QuerySet[BlindSheet]:
    return BlindSheet.objects.filter(
        crew=member.crew, double_marking=marking, by=member.user
    ).select_related("track", "analysis", "double_marking__convention_version")  # fmt: skip


def progress_of(marking: DoubleMarking) -> list[Progress]:
    """Who has handed in how many, by name."""
    rows = (
        BlindSheet.objects.filter(double_marking=marking)
        .values("by")
        .annotate(total=Count("pk"), handed_in=Count("handed_in_at"))
    )
    counts = {row["by"]: (row["handed_in"], row["total"]) for row in rows}
    return sorted(
        (Progress(person, *counts[person.pk]) for person in User.objects.filter(pk__in=counts)),
        key=lambda one: str(one.person),
    )


def keep_blind(
    *, member: Membership, sheet: BlindSheet, markers: Sequence[MarkerInput], seen_revision: int
) -> BlindSheet:
    """Keep the markers over the revision that this window saw; what is kept already is no conflict, as where an answer
    was lost. No activity row: it happens every few seconds.

    Raises ``Conflict`` where it is handed in or the marking closed, and with ``kept:other-window`` where another window
    has written since; ``Invalid`` for markers that cannot stand.
    """
    with transaction.atomic():
        return _keep(member, sheet, markers, seen_revision)


def hand_in_blind(
    *, member: Membership, sheet: BlindSheet, markers: Sequence[MarkerInput], seen_revision: int
) -> BlindSheet:
    """Keep the markers for the last time; the last sheet of all closes the marking. Raises as ``keep_blind``."""
    with transaction.atomic():
        kept = _keep(member, sheet, markers, seen_revision)
        kept.handed_in_at = timezone.now()
        kept.save(update_fields=["handed_in_at"])
        marking = kept.double_marking
        record(actor=member.user, verb="blind sheet handed in", subject=marking, name=marking.name)
        if not marking.sheets.filter(handed_in_at=None).exists():
            _close(marking)
            record(actor=None, verb="double marking finished", subject=marking, name=marking.name)
    return kept


def _keep(member: Membership, sheet: BlindSheet, markers: Sequence[MarkerInput], seen_revision: int) -> BlindSheet:
    if sheet.by_id != member.user_id:
        raise NotFound
    # One at a time, so that a sheet is never handed in to a marking that is being closed, and one hand-in is the last.
    marking = DoubleMarking.objects.select_for_update().select_related("convention_version").get(
        pk=sheet.double_marking_id
    )  # fmt: skip
    mine = BlindSheet.objects.select_related("track", "analysis").get(pk=sheet.pk)
    mine.double_marking = marking
    if mine.handed_in_at is not None:
        raise Conflict("double:handed-in")
    if marking.closed_at is not None:
        raise Conflict("double:closed")
    checked = check_markers(markers, version=marking.convention_version, duration_us=mine.analysis.result.duration_us)
    values = [{"slot": one.slot, "start_us": one.start_us, "end_us": one.end_us} for one in checked]
    rows = BlindSheet.objects.filter(pk=mine.pk, revision=seen_revision, handed_in_at=None)
    if rows.update(revision=F("revision") + 1, markers=values):
        mine.revision, mine.markers = seen_revision + 1, values
    elif mine.markers != values:
        raise Conflict("kept:other-window")
    return mine


def close_double_marking(*, member: Membership, marking: DoubleMarking) -> DoubleMarking:
    """Close it with what is handed in (leads); sheets that are not count for nothing.

    Raises ``Conflict`` where it is closed already.
    """
    may_lead(member).require()
    with transaction.atomic():
        locked = DoubleMarking.objects.select_for_update().get(pk=marking.pk)
        if locked.closed_at is not None:
            raise Conflict("double:closed")
        _close(locked)
        record(actor=member.user, verb="double marking closed", subject=locked, name=locked.name)
    marking.closed_at = locked.closed_at
    return marking


def _close(marking: DoubleMarking) -> None:
    marking.closed_at = timezone.now()
    marking.save(update_fields=["closed_at"])


def marked_tracks(member: Membership, marking: DoubleMarking) -> list[BlindSheet]:
    """Everything that was handed in, with track, analysis and whose it is, by the title of the track.

    Raises ``Refused`` with ``double:not-yet`` before the member may see it.
    """
    may_see_report(member, marking).require()
    return list(
        BlindSheet.objects.filter(double_marking=marking, handed_in_at__isnull=False)
        .prefetch_related("track", "analysis", "by")
        .order_by("track__title", "track", "by")
    )
