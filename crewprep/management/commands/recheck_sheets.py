"""``manage.py recheck_sheets``: ask the house checks of every approved sheet again, as after a check has changed."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.db import transaction

from crewprep.library.upkeep import mark
from crewprep.sheets.checking import all_findings
from crewprep.sheets.models import SheetVersion


class Command(BaseCommand):
    """Store anew what the checks find; the sheets themselves stay as they are."""

    help = "Ask the house checks of every approved sheet again, as after a check has changed."

    def handle(self, *args: Any, **options: Any) -> None:
        """One sheet after another, so that memory stays small."""
        changed = total = 0
        sheets = SheetVersion.objects.select_related("analysis", "convention_version").prefetch_related("markers")
        for sheet in sheets.iterator(chunk_size=50):
            found = all_findings(sheet.markers.all(), sheet.convention_version, sheet.analysis.result)
            total += 1
            if found != sheet.findings:
                with transaction.atomic():
                    SheetVersion.objects.filter(pk=sheet.pk).update(findings=found)
                    mark(sheet.crew_id, [sheet.track_id])
                changed += 1
        self.stdout.write(f"{total} sheets checked, {changed} with other findings than before.")
