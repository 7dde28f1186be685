"""The re-check list of a convention version: exactly the sheets whose meaning it changes, until all are looked at."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from uuid import UUID

from django.db import transaction
from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid, NotFound
from crewprep.conventions.models import Convention, ConventionVersion
from crewprep.crews.models import Membership, User
from crewprep.crews.rules import may_review_at_all
from crewprep.sheets.affected import Effect, effect_on
from crewprep.sheets.counting import recount
from crewprep.sheets.models import Recheck, RecheckEnd, SheetVersion


@dataclass(frozen=True, slots=True)
class RecheckProgress:
    """How far a version's list is."""

    total: int
    open: int

    @property
    def closed(self) -> int:
        """How many have been looked at."""
        return self.total - self.open


def open_rechecks(*, version: ConventionVersion, effect: Effect, by: User) -> int:
    """Put the touched sheets on the version's list, each once; returns how many are new. Inside a transaction."""
    known = set(Recheck.objects.filter(convention_version=version).values_list("sheet_id", flat=True))
    said = {why: [asdict(reason) for reason in why] for why in {line.reasons for line in effect.touched.ids}}
    new = [
        Recheck(
            crew_id=version.crew_id, track_id=line.track_id, sheet_id=line.sheet_id, convention_version=version,
            reasons=said[line.reasons],
        )
        for line in effect.touched.ids
        if line.sheet_id not in known
    ]  # fmt: skip
    Recheck.objects.bulk_create(new, batch_size=500)
    if new:
        record(actor=by, verb="re-check list opened", subject=version, version=str(version), sheets=len(new))
    return len(new)


def hold_lists(convention_id: UUID) -> None:
    """Let approvals and publications under a convention pass one after the other until the transaction ends.

    Otherwise a sheet that is approved while a version is published is on neither's list.
    """
    Convention.objects.select_for_update().get(pk=convention_id)


def settle_rechecks(*, sheet: SheetVersion, by: User) -> None:
    """What a newly approved sheet does to the lists; called inside the approval's transaction.

    It closes the track's re-checks for its own convention version and for those before it. On the lists of later ones
    it takes the place of the sheet that it replaces, where it is touched itself.
    """
    followed = sheet.convention_version
    hold_lists(followed.convention_id)
    waiting = Recheck.objects.filter(track=sheet.track_id, ended="").select_related("convention_version", "track")
    later: dict[UUID, ConventionVersion] = {}
    for recheck in waiting:
        version = recheck.convention_version
        same_line = version.convention_id == followed.convention_id
        if version.pk == followed.pk or (same_line and version.number < followed.number):
            _close(recheck, RecheckEnd.SHEET, by)
        else:
            _close(recheck, RecheckEnd.REPLACED, by)
            later[version.pk] = version
    newest = ConventionVersion.objects.filter(convention=followed.convention_id).order_by("-number").first()
    if newest is not None and newest.number > followed.number:
        later[newest.pk] = newest
    for version in later.values():
        effect = effect_on(SheetVersion.objects.filter(pk=sheet.pk), version.slots.all(), version=version)
        open_rechecks(version=version, effect=effect, by=by)
    recount([sheet.track_id])


def still_right(*, member: Membership, recheck: Recheck, note: str) -> Recheck:
    """Say that a sheet needs no change, and why.

    Raises ``Refused``, ``Invalid`` without a note, ``Conflict`` where the re-check is closed already.
    """
    may_review_at_all(member).require()
    note = note.strip()[:300]
    if not note:
        raise Invalid("recheck:note-missing")
    with transaction.atomic():
        if not _close(recheck, RecheckEnd.STILL_RIGHT, member.user, note):
            raise Conflict("recheck:closed")
        recount([recheck.track_id])
    recheck.refresh_from_db()
    return recheck


def rechecks_of(member: Membership, version: ConventionVersion) -> QuerySet[Recheck]:
    """A version's list, the open ones first, then by title; a sheet that another took the place of is left out."""
    return (
        Recheck.objects.filter(crew=member.crew, convention_version=version)
        .exclude(ended=RecheckEnd.REPLACED)
        .select_related("track", "sheet__convention_version__convention", "closed_by")
        .order_by("ended", "track__title", "created_at")
    )


def recheck_for(member: Membership, recheck_id: UUID) -> Recheck:
    """The only way for a request to reach a re-check; raises ``NotFound`` for another crew's as for none."""
    recheck = (
        Recheck.objects.filter(crew=member.crew, pk=recheck_id)
        .select_related("track", "sheet", "convention_version__convention", "closed_by")
        .first()
    )
    if recheck is None:
        raise NotFound
    return recheck


def recheck_progress(member: Membership, versions: Iterable[ConventionVersion]) -> dict[UUID, RecheckProgress]:
    """How far the lists of some versions are, in one query; a version whose list is empty is left out."""
    rows = (
        Recheck.objects.filter(crew=member.crew, convention_version__in=[version.pk for version in versions])
        .exclude(ended=RecheckEnd.REPLACED)
        .order_by()
        .values_list("convention_version")
        .annotate(total=Count("pk"), waiting=Count("pk", filter=Q(ended="")))
    )
    return {version: RecheckProgress(total, waiting) for version, total, waiting in rows}


def _close(recheck: Recheck, how: RecheckEnd, by: User, note: str = "") -> bool:
    """Close it by compare-and-set and record who did; False where somebody has done so already."""
    closed = Recheck.objects.filter(pk=recheck.pk, ended="").update(
        ended=how, closed_by=by, closed_at=timezone.now(), note=note
    )
    if closed:
        record(actor=by, verb="re-check closed", subject=recheck, track=recheck.track.title, how=how.value, note=note)
    return bool(closed)
