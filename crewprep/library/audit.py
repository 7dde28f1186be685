"""Which sheets of a crew's library break which house check: counted and put in order by the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import overload

from django.db.models import Case, Count, IntegerField, Min, Q, QuerySet, Value, When

from crewprep.crews.models import Membership
from crewprep.library.models import BrokenCheck, TrackStanding
from crewprep.library.upkeep import freshen
from crewprep.sheets.checking import severities_of
from crewprep.sheets.house_checks import CHECKS, SEVERITIES, Check, Severity
from crewprep.sheets.models import SheetVersion


@dataclass(frozen=True, slots=True)
class CheckCount:
    """A check, how severe the crew takes it, and how many sheets break it."""

    check: Check
    severity: Severity
    sheets: int


@dataclass(frozen=True, slots=True)
class AuditFinding:
    """One finding of a sheet, with the severity of today."""

    check: str
    severity: Severity
    slot: int
    sentence: str


@dataclass(frozen=True, slots=True)
class AuditLine:
    """A track's sheet and what it breaks, the most severe first."""

    sheet: SheetVersion
    findings: tuple[AuditFinding, ...]


class AuditLines(Sequence[AuditLine]):
    """The sheets that break a check, the most severe first; a slice reads just the sheets that are in it."""

    def __init__(self, rows: QuerySet[TrackStanding], severities: Mapping[str, Severity]) -> None:
        self._rows, self._severities = rows, severities
        self._count: int | None = None

    def __len__(self) -> int:
        if self._count is None:
            self._count = self._rows.count()
        return self._count

    @overload
    def __getitem__(self, index: int) -> AuditLine: ...

    @overload
    def __getitem__(self, index: slice) -> list[AuditLine]: ...

    def __getitem__(self, index: int | slice) -> AuditLine | list[AuditLine]:
        if isinstance(index, slice):
            return self._lines(self._rows[index])
        return self._lines(self._rows[index : index + 1])[0]

    def _lines(self, rows: QuerySet[TrackStanding]) -> list[AuditLine]:
        numbers = dict(rows.values_list("track_id", "sheet_number"))
        versions = SheetVersion.objects.filter(track__in=list(numbers)).select_related("track")
        sheets = {sheet.track_id: sheet for sheet in versions if sheet.number == numbers[sheet.track_id]}
        return [AuditLine(sheets[track_id], self._findings(sheets[track_id])) for track_id in numbers]

    def _findings(self, sheet: SheetVersion) -> tuple[AuditFinding, ...]:
        shown = [
            AuditFinding(one["check"], self._severities[one["check"]], one["slot"], one["sentence"])
            for one in sheet.findings or []
            if one["check"] in self._severities
        ]
        return tuple(sorted(shown, key=lambda one: (SEVERITIES.index(one.severity), one.slot)))


@dataclass(frozen=True, slots=True)
class Audit:
    """The library: counts by check, the sheets that break one (those that were asked for), and how many are clean."""

    counts: tuple[CheckCount, ...]
    lines: AuditLines
    sheets: int
    clean: int
    unchecked: int


def audit(member: Membership, *, check: str = "", severity: str = "") -> Audit:
    """The latest sheet of every track against the checks; ``check`` and ``severity`` choose lines."""
    freshen(member.crew_id)
    severities = severities_of(member.crew)
    on = [code for code, kind in severities.items() if kind != "off"]
    broken = BrokenCheck.objects.filter(crew=member.crew)
    counted = dict(broken.order_by().values_list("check_code").annotate(Count("pk")))
    sheets = TrackStanding.objects.filter(crew=member.crew, sheet_number__isnull=False).aggregate(
        all=Count("pk"), unchecked=Count("pk", filter=Q(checked=False))
    )
    unclean = broken.filter(check_code__in=on).aggregate(tracks=Count("track", distinct=True))["tracks"]
    shown = {code: severities[code] for code in on if check in ("", code) and severity in ("", severities[code])}
    return Audit(
        counts=tuple(
            CheckCount(one, severities[one.code], counted.get(one.code, 0) if one.code in on else 0) for one in CHECKS
        ),
        lines=AuditLines(_in_order(member, shown), shown),
        sheets=sheets["all"],
        clean=sheets["all"] - sheets["unchecked"] - unclean,
        unchecked=sheets["unchecked"],
    )


def _in_order(member: Membership, shown: Mapping[str, Severity]) -> QuerySet[TrackStanding]:
    """Standings of the tracks whose sheets break one of the checks, the most severe first, then by title."""
    rank = Case(
        *(When(track__broken_checks__check_code=code, then=Value(SEVERITIES.index(shown[code]))) for code in shown),
        default=Value(len(SEVERITIES)),
        output_field=IntegerField(),
    )
    rows = TrackStanding.objects.filter(crew=member.crew, track__broken_checks__check_code__in=list(shown))
    return rows.annotate(rank=Min(rank)).order_by("rank", "sort_title", "track_id")
