"""What the house checks found, as pages show it and as the scripts read it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from crewprep.sheets.house_checks import CHECKS, Finding

NAMES = {check.code: check.name for check in CHECKS}
TONES = {"blocker": "bad", "warning": "wait", "note": "note"}


def findings_data(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Findings for templates and scripts: words, tone, and the marker as it should be."""
    return [
        {
            "check": NAMES[finding.check],
            "severity": finding.severity,
            "tone": TONES[finding.severity],
            "slot": finding.slot,
            "sentence": finding.sentence,
            "fix": None
            if finding.fix is None
            else {"slot": finding.fix.slot, "start_us": finding.fix.start_us, "end_us": finding.fix.end_us},
        }
        for finding in findings
    ]


def has_blocker(findings: Sequence[Finding]) -> bool:
    """Whether one of them stops a proposal."""
    return any(finding.severity == "blocker" for finding in findings)
