"""``manage.py import_folder SLUG CRATE FOLDER --as USER``: the audio of a folder on the server into a crew's crate.

Each file goes through the same door as an upload. What the crew has already is only put into the crate, so a run that
was cut short is simply started again.
"""

from __future__ import annotations

import os
import stat
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from crewprep.common.errors import DomainError
from crewprep.conventions.selectors import current_version
from crewprep.crates.models import Crate
from crewprep.crates.selectors import places_of
from crewprep.crates.services import make_crate
from crewprep.crews.models import Membership
from crewprep.sheets.services import bring_in
from crewprep.tracks.known import known_track
from crewprep.tracks.models import AudioKind
from crewprep.tracks.services import check_upload, looks_like_audio
from crewprep.tracks.upload import QuarantinedFile, quarantine


class Command(BaseCommand):
    """Bring a folder in, file by file."""

    help = (
        "Bring the audio of a folder, and of the folders in it, into a crew's crate. Files whose name begins with a "
        "dot and links are left out. Ends with 1 where a file could not be taken."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Where from, where to, and in whose name."""
        parser.add_argument("slug", help="the crew's name in addresses")
        parser.add_argument("crate", help="name of the crate; made where there is none")
        parser.add_argument("folder", type=Path)
        parser.add_argument("--as", dest="user", required=True, help="user name of the lead or resident who does it")
        parser.add_argument("--dry-run", action="store_true", help="only say what would happen to each file")

    def handle(self, *args: Any, **options: Any) -> None:
        """Go through the folder in order; each file is a transaction of its own."""
        member = _member(options["slug"], options["user"])
        folder: Path = options["folder"].resolve()
        if not folder.is_dir():
            raise CommandError(f"{folder} is not a folder. Name one on this machine.")
        crate = Crate.objects.filter(crew=member.crew, name=options["crate"]).first()
        if crate is None and not options["dry_run"]:
            crate = _make(member, options["crate"])
        counts: Counter[str] = Counter()
        for path in files_in(folder):
            word, more = _take(member, crate, path, dry_run=options["dry_run"])
            counts[word] += 1
            self.stdout.write(f"{word:<10} {path.relative_to(folder)}{f': {more}' if more else ''}")
        told = ", ".join(f"{number} {word}" for word, number in sorted(counts.items())) or "no files"
        self.stdout.write(f"{told}.{' Nothing was changed.' if options['dry_run'] else ''}")
        if counts["refused"]:
            raise CommandError(f"{counts['refused']} could not be taken; the lines above say why.")


def files_in(folder: Path) -> Iterator[Path]:
    """Every plain file under a folder by name, without what is hidden; never through a link."""
    for at, folders, names in os.walk(folder, followlinks=False):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(at) / name
            if not name.startswith(".") and stat.S_ISREG(path.lstat().st_mode):
                yield path


def _take(member: Membership, crate: Crate | None, path: Path, *, dry_run: bool) -> tuple[str, str]:
    """What became of a file, in a word, and what else there is to say."""
    try:
        # Not through a link, also where one was put there a moment ago.
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK), "rb") as source:
            if not looks_like_audio(source):
                return "left out", "not audio"
            upload = quarantine(source, name=path.name)
    except OSError as error:
        return "refused", error.strerror or "it cannot be read"
    try:
        known = known_track(member.crew, AudioKind.FILE, upload.sha256)
        if known is not None and crate is not None and places_of(crate).filter(track=known).exists():
            return "known", f"in the crate as “{known}”"
        if dry_run:
            return _would(upload) if known is None else ("known", f"“{known}” would be put into the crate")
        assert crate is not None
        taken = bring_in(member=member, crate=crate, upload=upload)
    except DomainError as error:
        return "refused", error.sentence
    finally:
        upload.close()
    return ("taken", "") if taken.is_new else ("known", f"“{taken.track}” is in the crate now")


def _would(upload: QuarantinedFile) -> tuple[str, str]:
    check_upload(upload)
    return "would take", ""


def _member(slug: str, user: str) -> Membership:
    member = (
        Membership.objects.filter(crew__slug=slug, user__username=user, user__is_active=True)
        .select_related("crew", "user")
        .first()
    )
    if member is None:
        raise CommandError(f"There is no crew at “{slug}” with a member “{user}”. Look both up in /admin/.")
    return member


def _make(member: Membership, name: str) -> Crate:
    try:
        return make_crate(member=member, name=name, convention_version=current_version(member))
    except DomainError as error:
        raise CommandError(error.sentence) from error
