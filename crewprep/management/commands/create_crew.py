"""``manage.py create_crew NAME SLUG LEAD``: a crew with its first lead and a starting convention."""

from __future__ import annotations

import getpass
from argparse import ArgumentParser
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.core.validators import validate_slug
from django.db import transaction

from crewprep.conventions.services import STARTERS, starter
from crewprep.crews.models import Crew, User
from crewprep.crews.services import found_crew
from crewprep.sheets.publishing import publish_document


def user_named(name: str, password: str | None) -> User:
    """The user of that name, made with a password (asked for where none is given) if there is none."""
    user = User.objects.filter(username=name).first()
    if user is not None:
        return user
    password = password or getpass.getpass(f"A password for {name}, ten letters or more: ")
    try:
        validate_password(password, User(username=name))
    except ValidationError as error:
        raise CommandError(" ".join(error.messages)) from error
    return User.objects.create_user(username=name, password=password)


class Command(BaseCommand):
    """Make a crew."""

    help = "Make a crew with its first lead and one of our conventions to start from."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Names."""
        parser.add_argument("name", help='what people call it, such as "Our crew"')
        parser.add_argument("slug", help="its name in addresses, such as our-crew")
        parser.add_argument("lead", help="user name of the lead; made where it does not exist")
        parser.add_argument("--password", help="for a new user; asked for where absent")
        parser.add_argument("--convention", choices=sorted(STARTERS), default="eight")

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        """Make it."""
        try:
            validate_slug(options["slug"])
        except ValidationError as error:
            raise CommandError("A slug has letters, digits, hyphens and underscores only, such as our-crew.") from error
        if Crew.objects.filter(slug=options["slug"]).exists():
            raise CommandError(f"There is a crew at “{options['slug']}” already. Choose another slug.")
        lead = found_crew(
            name=options["name"], slug=options["slug"], lead=user_named(options["lead"], options["password"])
        )
        publish_document(member=lead, document=starter(options["convention"]))
        self.stdout.write(f"{lead.crew} is ready at /c/{lead.crew.slug}/, led by {lead.user}.")
