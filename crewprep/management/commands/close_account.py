"""``manage.py close_account USER``: close somebody's account who cannot do it on their page any more."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from crewprep.accounts.closing import close_account
from crewprep.common.errors import DomainError
from crewprep.crews.models import User


class Command(BaseCommand):
    """Close an account."""

    help = "Leave every crew in a user's name and erase who they were; what they did stays. Cannot be undone."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Whose."""
        parser.add_argument("user", help="user name")
        parser.add_argument("--yes", action="store_true", help="do it; without this it only says what would be done")

    def handle(self, *args: Any, **options: Any) -> None:
        """Close it."""
        user = User.objects.filter(username=options["user"], former_number=None).first()
        if user is None:
            raise CommandError(f"There is no open account of the name “{options['user']}”.")
        if not options["yes"]:
            self.stdout.write(f"This closes the account of {user} for good. Run it again with --yes to do it.")
            return
        try:
            closed = close_account(user=user)
        except DomainError as error:
            raise CommandError(error.sentence) from error
        self.stdout.write(f"The account is closed; its work is that of {closed} now.")
