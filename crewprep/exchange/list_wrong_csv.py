"""The lines of a list that cannot be used, as comma separated values, with the reason in front."""

from __future__ import annotations

import csv
import io

from crewprep.exchange.list_plan import Plan
from crewprep.exchange.list_reading import Table
from crewprep.exchange.sheet_csv import defuse


def wrong_file(table: Table, plan: Plan) -> bytes:
    """The file (RFC 4180, UTF-8); texts are defused as those of sheets are."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["line", "problem", *map(defuse, table.header)])
    for line in plan.wrong:
        writer.writerow([line.number, defuse(line.problem), *map(defuse, line.cells)])
    return out.getvalue().encode()
