"""Which sheets of a crew's library break which house check."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import OuterRef, QuerySet, Subquery

from crewprep.crews.models import Membership
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


@dataclass(frozen=True, slots=True)
class Audit:
    """The library: counts by check, the sheets that break one (those that were asked for), and how many are clean."""

    counts: tuple[CheckCount, ...]
    lines: tuple[AuditLine, ...]
    sheets: int
    clean: int
    unchecked: int


def audit(member: Membership, *, check: str = "", severity: str = "") -> Audit:
    """The latest sheet of every track against the checks, in two queries; ``check`` and ``severity`` choose lines."""
    severities = severities_of(member.crew)
    counted: Counter[str] = Counter()
    lines: list[AuditLine] = []
    sheets = clean = unchecked = 0
    for sheet in _latest_sheets(member):
        sheets += 1
        if sheet.findings is None:
            unchecked += 1
            continue
        found = [
            AuditFinding(one["check"], severities[one["check"]], one["slot"], one["sentence"])
            for one in sheet.findings
            if severities.get(one["check"], "off") != "off"
        ]
        counted.update({one.check for one in found})
        clean += not found
        shown = [one for one in found if check in ("", one.check) and severity in ("", one.severity)]
        if shown:
            shown.sort(key=lambda one: (SEVERITIES.index(one.severity), one.slot))
            lines.append(AuditLine(sheet, tuple(shown)))
    lines.sort(key=lambda line: SEVERITIES.index(line.findings[0].severity))
    counts = tuple(CheckCount(one, severities[one.code], counted[one.code]) for one in CHECKS)
    return Audit(counts, tuple(lines), sheets, clean, unchecked)


def _latest_sheets(member: Membership) -> QuerySet[SheetVersion]:
    newest = SheetVersion.objects.filter(track=OuterRef("track")).order_by("-number").values("pk")[:1]
    return (
        SheetVersion.objects.filter(crew=member.crew, pk=Subquery(newest))
        .select_related("track")
        .order_by("track__title", "track__pk")
    )
