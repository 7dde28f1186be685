"""``manage.py add_member SLUG USER ROLE``: one more member of a crew."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from crewprep.crews.models import Crew, Membership, Role
from crewprep.crews.services import add_member
from crewprep.management.commands.create_crew import user_named


class Command(BaseCommand):
    """Add a member."""

    help = "Add a user to a crew as lead, resident or newcomer."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Names and role."""
        parser.add_argument("slug", help="the crew's name in addresses")
        parser.add_argument("user", help="user name; made where it does not exist")
        parser.add_argument("role", choices=Role.values)
        parser.add_argument("--password", help="for a new user; asked for where absent")

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        """Add them."""
        crew = Crew.objects.filter(slug=options["slug"]).first()
        if crew is None:
            raise CommandError(f"There is no crew at “{options['slug']}”. Make one with create_crew.")
        user = user_named(options["user"], options["password"])
        if Membership.objects.filter(crew=crew, user=user).exists():
            raise CommandError(f"{user} is in {crew} already; change the role in /admin/.")
        add_member(crew=crew, user=user, role=Role(options["role"]), by=None)
        self.stdout.write(f"{user} is a {options['role']} of {crew} now.")
