"""``manage.py seed_demo``: an invented crew with a half prepared crate, so that every page has something to show.

The tracks are synthesised (``fixtures/demo.py``). The first few are analysed here and now by the same code that the
worker runs; the rest are left for the worker, so that a newcomer sees it at work.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from crewprep.conventions.services import starter
from crewprep.crates.models import Crate
from crewprep.crates.services import make_crate
from crewprep.crates.upload import upload_to_crate
from crewprep.crews.models import Crew, Membership, Role, User
from crewprep.crews.services import add_member, found_crew
from crewprep.jobs import services as jobs
from crewprep.jobs.models import Job
from crewprep.review.services import RemarkInput, approve_proposal, propose, return_proposal
from crewprep.review.threads import begin_remark
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.publishing import publish_document
from crewprep.sheets.selectors import current_draft
from crewprep.tracks.models import Track
from crewprep.tracks.upload import quarantine

PASSWORD = "crewprep-demo"  # noqa: S105  printed at every start; the demo listens on this machine alone
PEOPLE = (
    ("mirel", "lead", "Mirel Oakhanger"),
    ("tomasz", "resident", "Tomasz Fernbank"),
    ("adaeze", "resident", "Adaeze Quillfeather"),
    ("jun", "newcomer", "Jun Pebblewick"),
)
MAILED = "adaeze"
"""Whose invented address counts as confirmed, so that mails can be seen where the worker prints them."""
PREPARED, APPROVED = 9, 5
"""How many tracks are analysed while seeding: five approved (enough to practise on), one open, one returned, two
drafted."""


class Command(BaseCommand):
    """Fill in the demo."""

    help = "Make an invented crew, convention and crate; does nothing where the demo exists."

    def handle(self, *args: Any, **options: Any) -> None:
        """Make people, tracks and a half prepared crate."""
        if Crew.objects.filter(slug="demo").exists():
            self.stdout.write("The demo is there already.")
            return
        from fixtures.demo import write_demo

        self.stdout.write("Making the demo (about two minutes, once):")
        self.stdout.write("  playing twelve invented tracks …")
        self.stdout.flush()
        tracks = write_demo(settings.VAR_DIR / "demo")
        lead, *others = _people()
        publish_document(member=lead, document=starter("four"))
        version = publish_document(member=lead, document=starter("eight"))
        crate = make_crate(
            member=lead,
            name="Tannery Yard, Saturday",
            convention_version=version,
            night_date=_next_saturday(dt.datetime.now(dt.UTC).date()),
        )
        made = [_upload(lead, crate, track.path) for track in tracks[:PREPARED]]
        self.stdout.write(f"  analysing the first {PREPARED}, the worker does the others …")
        self.stdout.flush()
        self._work_through(expected=2 * PREPARED)
        _prepare(crate, made, lead, *others)
        for track in tracks[PREPARED:]:
            _upload(lead, crate, track.path)

    def _work_through(self, *, expected: int) -> None:
        """Do the waiting jobs here; raises ``CommandError`` where one of them fails, since the demo is ours."""
        from analysis_worker import handlers

        done = 0
        while (claim := jobs.claim_next()) is not None:
            handlers.run(claim)
            job = Job.objects.select_related("track").get(pk=claim.job_id)
            if job.state != "done":
                raise CommandError(f"{job.track}: {job.error_code} {job.error_detail}")
            done += 1
            self.stdout.write(f"    {job.track}: {job.get_kind_display().lower()}")
            self.stdout.flush()
        if done < expected:
            raise CommandError(f"Only {done} of {expected} demo jobs were there to do.")


def _people() -> list[Membership]:
    members: list[Membership] = []
    for name, role, full_name in PEOPLE:
        address = f"{name}@tannery-yard.invalid" if name == MAILED else ""
        user = User.objects.create_user(
            username=name, password=PASSWORD, display_name=full_name, email=address, confirmed_email=address
        )
        if not members:
            members.append(found_crew(name="The Tannery Yard crew", slug="demo", lead=user))
        else:
            members.append(add_member(crew=members[0].crew, user=user, role=Role(role), by=members[0].user))
    return members


def _upload(member: Membership, crate: Crate, path: Path) -> Track:
    with path.open("rb") as source:
        return upload_to_crate(member=member, crate=crate, upload=quarantine(source, name=path.name))


def _prepare(
    crate: Crate, tracks: list[Track], lead: Membership, first: Membership, second: Membership, newcomer: Membership
) -> None:
    """Approved sheets, one open proposal that somebody asks about, one returned with remarks; the rest stay drafts."""
    version = crate.convention_version

    def markers(track: Track) -> list[MarkerInput]:
        draft = current_draft(track, version)
        return [] if draft is None else [MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()]

    required = set(version.slots.filter(required=True).values_list("number", flat=True))
    ready = [track for track in tracks if required <= {marker.slot for marker in markers(track)}]
    authors = (
        (first, "As drafted; listened through twice."),
        *((second, ""), (first, "")) * (APPROVED // 2),
        (newcomer, "Is the exit loop too early?"),
        (first, ""),
    )
    for number, (track, (author, note)) in enumerate(zip(ready, authors, strict=False)):
        given = markers(track)
        if author is newcomer:
            # A newcomer's typical slip: the breakdown marked a phrase late.
            given = [_a_phrase_late(track, marker) if marker.slot == 2 else marker for marker in given]
        proposal = propose(member=author, track=track, convention_version=version, markers=given, note=note)
        if number < APPROVED:
            approve_proposal(member=lead, proposal=proposal, seen_revision=1)
        elif author is newcomer:
            begin_remark(
                member=first, proposal=proposal, slot=2, seen_revision=1, text="Why here, and not a phrase earlier?"
            )
        else:
            return_proposal(
                member=second,
                proposal=proposal,
                seen_revision=1,
                remarks=[RemarkInput(given[-1].slot, "Is there a fill in its last bar? Try four bars earlier.")],
            )


def _a_phrase_late(track: Track, marker: MarkerInput) -> MarkerInput:
    analysis = track.analyses.first()
    assert analysis is not None
    later = [time for time in analysis.result.phrases_us if time > marker.start_us]
    return MarkerInput(marker.slot, later[0], marker.end_us) if later else marker


def _next_saturday(today: dt.date) -> dt.date:
    return today + dt.timedelta(days=(5 - today.weekday()) % 7 or 7)
