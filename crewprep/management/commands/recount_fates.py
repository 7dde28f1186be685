"""``manage.py recount_fates``: decide anew what became of each drafted marker, as for sheets of before it was kept."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from crewprep.onboarding.fates import recount


class Command(BaseCommand):
    """Compare every first sheet with its draft; sheets and drafts stay as they are."""

    help = "Decide anew what became of each drafted marker, as for sheets approved before it was kept."

    def handle(self, *args: Any, **options: Any) -> None:
        """One sheet after another, so that memory stays small."""
        total, changed = recount()
        self.stdout.write(f"{total} sheets made from drafts, {changed} with other fates than before.")
