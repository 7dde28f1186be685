"""Lists of tracks from elsewhere: taken in, mapped, looked at, applied in one piece or not at all.

Tags are written as by their member; old markers become that member's unproposed work, since nobody has reviewed them.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from analysis_worker.core.text import clean_file_name
from crewprep.activity.services import record
from crewprep.common.access import Allowed, Answer, Denied
from crewprep.common.errors import Conflict, Invalid, NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import current_version
from crewprep.crates.selectors import crates_of
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.exchange.list_columns import ListMapping, check_mapping, guess
from crewprep.exchange.list_plan import Plan, plan_for
from crewprep.exchange.list_reading import Table, decode, read_table
from crewprep.exchange.models import ListImport, ListState
from crewprep.sheets.keeping import Work, keep_sheet
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Track
from crewprep.tracks.tags import edit_tags

_SAMPLE_ROWS = 100
_SHOWN = 50


@dataclass(frozen=True, slots=True)
class LookedAt:
    """A list with its table and, where its mapping can be used, its plan; else why not."""

    row: ListImport
    table: Table
    plan: Plan | None
    problem: str


def lists_of(member: Membership) -> list[ListImport]:
    """The crew's newest lists, without what is in them."""
    rows = ListImport.objects.filter(crew=member.crew).defer("text").select_related("made_by")
    return list(rows.order_by("-created_at")[:_SHOWN])


def list_for(member: Membership, list_id: UUID) -> ListImport:
    """The only way for a request to reach a list; raises ``NotFound`` for another crew's as for none."""
    rows = ListImport.objects.filter(crew=member.crew, pk=list_id)
    row = rows.select_related("made_by", "convention_version__convention").first()
    if row is None:
        raise NotFound
    return row


def versions_for(member: Membership) -> list[ConventionVersion]:
    """The convention versions that old markers may be read by: the crew's newest, and those of its crates."""
    newest = current_version(member)
    found = {} if newest is None else {newest.pk: newest}
    for crate in crates_of(member):
        found.setdefault(crate.convention_version_id, crate.convention_version)
    return list(found.values())


def may_change_list(member: Membership, row: ListImport) -> Answer:
    """Whoever brought it in, as its markers become theirs."""
    return Allowed() if row.made_by_id == member.user_id else Denied("list:not-yours", {"by": str(row.made_by)})


@transaction.atomic
def bring_list(*, member: Membership, name: str, content: bytes) -> ListImport:
    """Take a list in and guess what its columns mean; nothing else changes. Raises ``Invalid``."""
    may_prepare(member).require()
    version = current_version(member)
    if version is None:
        raise Invalid("convention:none")
    text, encoding = decode(content)
    table = read_table(text)
    mapping = guess(table.header, [row.cells for row in table.rows[:_SAMPLE_ROWS]], list(version.slots.all()))
    row = ListImport.objects.create(
        crew=member.crew,
        made_by=member.user,
        name=clean_file_name(name),
        sha256=hashlib.sha256(content).hexdigest(),
        encoding=encoding,
        text=text,
        convention_version=version,
        mapping=mapping.values(),
    )
    record(actor=member.user, verb="list brought in", subject=row, name=row.name, lines=len(table.rows))
    return row


@transaction.atomic
def map_list(*, member: Membership, row: ListImport, mapping: ListMapping, version: ConventionVersion) -> None:
    """Say what the columns mean. Raises ``Refused``, ``Conflict`` for a list that is settled, ``Invalid``."""
    may_change_list(member, row).require()
    check_mapping(mapping, len(read_table(row.text).header), list(version.slots.all()))
    rows = ListImport.objects.filter(pk=row.pk, state=ListState.OPEN)
    if not rows.update(mapping=mapping.values(), convention_version=version):
        raise Conflict("list:settled")
    row.mapping, row.convention_version = mapping.values(), version
    record(actor=member.user, verb="list mapped", subject=row, name=row.name)


def look_at(member: Membership, row: ListImport) -> LookedAt:
    """The list and what it would do for this member, of an open one."""
    table = read_table(row.text)
    if row.state != ListState.OPEN:
        return LookedAt(row, table, None, "")
    try:
        return LookedAt(row, table, plan_for(member, row, table), "")
    except Invalid as error:
        return LookedAt(row, table, None, error.sentence)


@transaction.atomic
def apply_list(*, member: Membership, row: ListImport, seen: str, leave_out: bool) -> dict[str, int]:
    """Apply the plan whose digest was ``seen``, all of it; ``leave_out`` says that wrong lines may stay out.

    Returns the counts. Raises ``Refused``; ``Conflict`` where anything has changed since it was seen, or the list is
    settled; ``Invalid`` where there are wrong lines or nothing to do.
    """
    may_change_list(member, row).require()
    rows = ListImport.objects.filter(pk=row.pk, state=ListState.OPEN)
    if not rows.update(state=ListState.APPLIED, applied_at=timezone.now()):
        raise Conflict("list:settled")
    row = list_for(member, row.pk)
    plan = plan_for(member, row, read_table(row.text))
    if plan.digest != seen:
        raise Conflict("list:changed")
    if plan.wrong and not leave_out:
        raise Invalid("list:wrong-lines", count=len(plan.wrong))
    if not plan.tracks:
        raise Invalid("list:nothing")
    for one in plan.tracks:
        if one.tags is not None:
            edit_tags(member=member, track=one.track, seen=one.seen, new=one.tags)
        if one.markers:
            work = Work(one.markers, f"From the list “{row.name}”", _begun_from(row))
            keep_sheet(
                member=member, track=one.track, version=row.convention_version, work=work, seen_revision=0
            )  # fmt: skip
    ListImport.objects.filter(pk=row.pk).update(counts=plan.counts)
    record(actor=member.user, verb="list applied", subject=row, name=row.name, digest=seen, **plan.counts)
    return plan.counts


def waiting_work(member: Membership, row: ListImport) -> list[Track]:
    """The tracks whose old markers lie on this member's desk as the list put them there, and are not proposed yet."""
    kept = KeptSheet.objects.filter(crew=member.crew, member=member.user, begun_from=_begun_from(row))
    return [one.track for one in kept.select_related("track").order_by("track__title")]


def _begun_from(row: ListImport) -> str:
    return f"list/{row.pk}"


@transaction.atomic
def discard_list(*, member: Membership, row: ListImport) -> None:
    """Put a list aside; nothing of it is applied."""
    may_change_list(member, row).require()
    if not ListImport.objects.filter(pk=row.pk, state=ListState.OPEN).update(state=ListState.DISCARDED):
        raise Conflict("list:settled")
    record(actor=member.user, verb="list discarded", subject=row, name=row.name)
