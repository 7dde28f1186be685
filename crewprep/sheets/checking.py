"""House checks of a crew's own sheets: how severe each is, and what they find."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.db import transaction

from analysis_worker.core.results import TrackAnalysis
from crewprep.activity.services import record
from crewprep.common.errors import Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Crew, Membership
from crewprep.crews.rules import may_lead
from crewprep.sheets.house_checks import CHECKS, SEVERITIES, Finding, Severity, check_sheet
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import CheckSetting, MarkerFields


def severities_of(crew: Crew) -> dict[str, Severity]:
    """How severe the crew takes each check."""
    words: dict[str, Severity] = {severity: severity for severity in SEVERITIES}
    mine = dict(CheckSetting.objects.filter(crew=crew).values_list("check_code", "severity"))
    return {check.code: words.get(mine.get(check.code, ""), check.severity) for check in CHECKS}


def set_severities(*, member: Membership, severities: Mapping[str, str]) -> int:
    """Say how severe checks are; returns how many changed.

    Raises ``Refused`` for anyone but a lead, ``Invalid`` for a word that is none.
    """
    may_lead(member).require()
    before = severities_of(member.crew)
    for code, severity in severities.items():
        if code not in before or severity not in SEVERITIES:
            raise Invalid("check:unknown", check=code[:40], severity=severity[:40])
    changed = {code: severity for code, severity in severities.items() if severity != before[code]}
    with transaction.atomic():
        for code, severity in changed.items():
            row, _ = CheckSetting.objects.update_or_create(
                crew=member.crew, check_code=code, defaults={"severity": severity}
            )
            record(actor=member.user, verb="house check set", subject=row, check=code, severity=severity)
    return len(changed)


def findings_of(
    crew: Crew, markers: Iterable[MarkerInput | MarkerFields], version: ConventionVersion, result: TrackAnalysis
) -> list[Finding]:
    """What the crew's checks find in markers under a convention version, the most severe first."""
    return check_sheet(_plain(markers), list(version.slots.all()), result, severities_of(crew))


def all_findings(
    markers: Iterable[MarkerInput | MarkerFields], version: ConventionVersion, result: TrackAnalysis
) -> list[dict[str, Any]]:
    """What every check finds, switched off or not, as it is stored with a sheet."""
    on: dict[str, Severity] = dict.fromkeys((check.code for check in CHECKS), "note")
    found = check_sheet(_plain(markers), list(version.slots.all()), result, on)
    return [{"check": one.check, "slot": one.slot, "sentence": one.sentence} for one in found]


def require_no_blocker(findings: Sequence[Finding], reason: str) -> None:
    """Raises ``Invalid`` with the first blocker, unless somebody says why it may stay."""
    blocker = next((finding for finding in findings if finding.severity == "blocker"), None)
    if blocker is not None and not reason.strip():
        raise Invalid("proposal:blocked", slot=blocker.slot, finding=blocker.sentence)


def _plain(markers: Iterable[MarkerInput | MarkerFields]) -> list[MarkerInput]:
    return [MarkerInput(marker.slot, marker.start_us, marker.end_us, marker.label) for marker in markers]
