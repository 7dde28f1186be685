"""Which sheets of a crew's library break which house check: counted and put in order by the database."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, overload

from django.db.models import Case, Count, F, IntegerField, Min, Q, QuerySet, Value, When

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

    def __init__(self, member: Membership, severities: Mapping[str, Severity]) -> None:
        self._rows, self._severities = _in_order(member, severities), severities
        self._broken = BrokenCheck.objects.filter(crew=member.crew, check_code__in=list(severities))
        self._count: int | None = None

    def __len__(self) -> int:
        if self._count is None:
            self._count = self._broken.aggregate(tracks=Count("track", distinct=True))["tracks"]
        return self._count or 0

    @overload
    def __getitem__(self, index: int) -> AuditLine: ...

    @overload
    def __getitem__(self, index: slice) -> list[AuditLine]: ...

    def __getitem__(self, index: int | slice) -> AuditLine | list[AuditLine]:
        if isinstance(index, slice):
            return self._lines(self._rows[index])
        return self._lines(self._rows[index : index + 1])[0]

    def _lines(self, rows: Iterable[dict[str, Any]]) -> list[AuditLine]:
        numbers = {row["track_id"]: row["number"] for row in rows}
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
        lines=AuditLines(member, shown),
        sheets=sheets["all"],
        clean=sheets["all"] - sheets["unchecked"] - unclean,
        unchecked=sheets["unchecked"],
    )


def _in_order(member: Membership, shown: Mapping[str, Severity]) -> QuerySet[Any, Any]:
    """The tracks whose sheets break one of the checks, each once, the most severe first, then by title."""
    rank = Case(
        *(When(check_code=code, then=Value(SEVERITIES.index(severity))) for code, severity in shown.items()),
        default=Value(len(SEVERITIES)),
        output_field=IntegerField(),
    )
    rows = BrokenCheck.objects.filter(crew=member.crew, check_code__in=list(shown)).order_by()
    tracks = rows.values("track_id", number=F("track__standing__sheet_number"), title=F("track__standing__sort_title"))
    return tracks.annotate(rank=Min(rank)).order_by("rank", "title", "track_id")
