"""What the house checks found in a library, as comma separated values: one line a finding."""

from __future__ import annotations

import csv
import io

from crewprep.exchange.sheet_csv import defuse
from crewprep.library.audit import Audit

COLUMNS = ("title", "artist", "sheet_version", "slot", "check", "severity", "finding")


def audit_file(audit: Audit) -> bytes:
    """The file (RFC 4180, UTF-8); texts are defused as those of sheets are."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for line in audit.lines[:]:
        track = line.sheet.track
        for one in line.findings:
            writer.writerow(
                [
                    defuse(track.title),
                    defuse(track.artist),
                    line.sheet.number,
                    one.slot,
                    one.check,
                    one.severity,
                    one.sentence,
                ]
            )
    return out.getvalue().encode()
