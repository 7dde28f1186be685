"""``manage.py rebuild_standings``: compute anew what lists and searches ask of every track."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from crewprep.library.upkeep import freshen, mark_all
from crewprep.sheets.counting import recount_all


class Command(BaseCommand):
    """Mark every standing and bring all up to date, and decide anew which sheets count."""

    help = "Compute anew what lists and searches ask of every track, as after rows were changed by other means."

    def handle(self, *args: Any, **options: Any) -> None:
        """Some hundred tracks a transaction."""
        recount_all()
        mark_all()
        self.stdout.write(f"{freshen()} tracks stand as their rows say.")
