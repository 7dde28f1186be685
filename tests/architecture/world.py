"""Two crews with something of everything, and what stands for their things in an address."""

from __future__ import annotations

import datetime as dt
import io
import uuid
from dataclasses import dataclass
from typing import Any

import numpy as np
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.utils import timezone

from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.services import save_draft
from crewprep.crates.models import Crate, Night
from crewprep.crates.nights import NightPlan, make_night, put_under_night
from crewprep.crews.invitations import invite
from crewprep.crews.models import Crew, Invitation, Membership, Role, TokenScope, User
from crewprep.crews.tokens import make_token
from crewprep.exchange.lists import bring_list
from crewprep.exchange.models import ListImport
from crewprep.jobs.models import Job, JobState
from crewprep.library.bulk import change_many
from crewprep.library.models import BulkChange, SavedSearch
from crewprep.library.services import save_search
from crewprep.notices.addresses import link_token, write_address
from crewprep.notices.choices import unsubscribe_token
from crewprep.notices.forgotten import password_token
from crewprep.notices.kinds import Kind
from crewprep.notices.making import Planned, tell
from crewprep.notices.models import AddressMail, Notice, Purpose
from crewprep.onboarding.double import close_double_marking, open_double_marking
from crewprep.onboarding.models import DoubleMarking, Drill
from crewprep.readiness.services import give_feed
from crewprep.review.models import Proposal, Remark
from crewprep.review.services import approve_proposal
from crewprep.review.threads import begin_remark
from crewprep.sheets.models import Recheck, SheetVersion
from crewprep.tracks.models import Copy, Track
from crewprep.webhooks.models import Delivery
from crewprep.webhooks.services import add_webhook
from tests import factories
from tests.factories.music import convention_document


@dataclass(frozen=True)
class CrewWorld:
    """A crew and its things; every name in it holds ``word``, so that a leak shows."""

    word: str
    lead: Membership
    resident: Membership
    newcomer: Membership
    version: ConventionVersion
    crate: Crate
    track: Track
    sheet: SheetVersion
    proposal: Proposal
    job: Job
    invitation: Invitation
    invitation_token: str
    token: TokenScope
    night: Night
    feed: str
    search: SavedSearch
    change: BulkChange
    notice: Notice
    recheck: Recheck
    listed: ListImport
    remark: Remark
    delivery: Delivery
    drill: Drill
    marking: DoubleMarking
    address_token: str
    password_token: str

    @property
    def crew(self) -> Crew:
        return self.lead.crew

    @property
    def copy(self) -> Copy:
        return self.track.copies.get()

    def member(self, role: str) -> Membership:
        found: Membership = getattr(self, role)
        return found

    def values(self) -> dict[str, Any]:
        """For each argument of a route, what names this crew's thing."""
        return {
            "crew": self.crew.slug,
            **dict.fromkeys(("convention", "version_id"), self.version.pk),
            **dict.fromkeys(("crate", "crate_id"), self.crate.pk),
            **dict.fromkeys(("track", "track_id"), self.track.pk),
            **dict.fromkeys(("night", "night_id"), self.night.pk),
            **dict.fromkeys(("proposal", "proposal_id"), self.proposal.pk),
            **dict.fromkeys(("job", "job_id"), self.job.pk),
            "member_id": self.newcomer.pk,
            "invitation_id": self.invitation.pk,
            "invitation_token": self.invitation_token,
            "token_id": self.token.pk,
            "token": self.feed,
            **dict.fromkeys(("search", "search_id"), self.search.pk),
            **dict.fromkeys(("change", "change_id"), self.change.pk),
            **dict.fromkeys(("notice", "notice_id"), self.notice.pk),
            **dict.fromkeys(("webhook", "webhook_id"), self.delivery.webhook_id),
            **dict.fromkeys(("delivery", "delivery_id"), self.delivery.pk),
            "mail_token": unsubscribe_token(self.lead),
            "address_token": self.address_token,
            "password_token": self.password_token,
            "recheck": self.recheck.pk,
            "recheck_id": self.recheck.pk,
            **dict.fromkeys(("list", "list_id"), self.listed.pk),
            **dict.fromkeys(("copy", "copy_id"), self.copy.pk),
            **dict.fromkeys(("remark", "remark_id"), self.remark.pk),
            **dict.fromkeys(("drill", "drill_id"), self.drill.pk),
            **dict.fromkeys(("marking", "marking_id"), self.marking.pk),
            "start_us": 123_457,
            "end_us": 345_679,
        }


def absent(values: dict[str, Any]) -> dict[str, Any]:
    """The same arguments, with values that nothing has."""
    nothing = {"crew": "no-such-crew", "start_us": 223_457, "end_us": 445_679}
    return {name: nothing.get(name) or uuid.uuid4() for name in values}


def make_crew(word: str) -> CrewWorld:
    """A crew with members of each role, a crate, a track with sound, draft, sheet and pending proposal, a dead job,
    an open re-check and a draft of the next convention."""
    lead = factories.crew_with(factories.user(f"{word}lead"), slug=f"{word}-crew")
    Crew.objects.filter(pk=lead.crew_id).update(name=f"{word} crew")
    lead.crew.refresh_from_db()
    resident = factories.member_of(lead.crew, person=factories.user(f"{word}resident"))
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER, person=factories.user(f"{word}newcomer"))
    version = factories.convention(lead, name=f"{word} rules")
    assert convention_document()["slots"]
    crate = factories.crate(lead, f"{word} crate")
    track = factories.analysed_track(resident, crate)
    Track.objects.filter(pk=track.pk).update(title=f"{word} tune", artist=f"{word} artist")
    track.refresh_from_db()
    sound = io.BytesIO()
    soundfile.write(sound, np.zeros(8000), 8000, format="FLAC")
    proxy = default_storage.save(f"crews/{lead.crew_id}/proxies/{uuid.uuid4().hex}.flac", ContentFile(sound.getvalue()))
    peaks = default_storage.save(f"crews/{lead.crew_id}/peaks/{uuid.uuid4().hex}.bin", ContentFile(b"CPPK" * 64))
    Copy.objects.filter(track=track).update(proxy_key=proxy, peaks_key=peaks)
    marking = open_double_marking(
        member=lead, name=f"{word} double marking", version=version, tracks=[track], members=[lead, resident]
    )
    close_double_marking(member=lead, marking=marking)
    factories.draft(track, version)
    first = factories.proposal(resident, made=track, into=crate)
    sheet = approve_proposal(member=lead, proposal=first, seen_revision=1)
    proposal = factories.proposal(resident, made=track, into=crate)
    remark = begin_remark(member=lead, proposal=proposal, slot=4, text=f"{word} remark", seen_revision=1)
    job = Job.objects.filter(track=track).first()
    assert job is not None
    Job.objects.filter(pk=job.pk).update(state=JobState.DEAD, error_code="job:gave-up", error_detail="Gave up.")
    job.refresh_from_db()
    night = make_night(member=lead, plan=NightPlan(f"{word} night", dt.datetime.now(dt.UTC).date()))
    put_under_night(member=lead, crate=crate, night=night)
    feed = give_feed(member=lead)
    reasons = [{"kind": "needed", "slot": 7, "sentence": f"The {word} tune needs slot 7."}]
    recheck = Recheck.objects.create(
        crew=lead.crew, track=track, sheet=sheet, convention_version=version, reasons=reasons
    )
    save_draft(member=lead, document=convention_document(f"{word} draft", slots=7), seen_revision=0)
    invitation, invitation_token = invite(member=lead, role=Role.NEWCOMER, note=f"{word} friend")
    scope, _ = make_token(user=lead.user, name=f"{word} program", crew_slug=lead.crew.slug)
    tell(
        lead.crew_id,
        [
            Planned(
                one.user_id, Kind.RETURNED, "x", proposal.pk, f"returned the proposal for “{word} tune”.",
                f"/c/{lead.crew.slug}/proposals/{proposal.pk}/", timezone.now(), by=lead.user_id,
            )
            for one in (lead, resident, newcomer)
        ],
    )  # fmt: skip
    write_address(user=lead.user, address=f"lead@{word}.invalid")
    address_mail = AddressMail.objects.get(recipient=lead.user)
    User.objects.filter(pk=lead.user_id).update(confirmed_email=f"old@{word}.invalid")
    password_mail = AddressMail.objects.create(
        recipient=User.objects.get(pk=lead.user_id), address=f"old@{word}.invalid", purpose=Purpose.PASSWORD
    )
    webhook, _ = add_webhook(member=lead, url=f"https://{word}.invalid/hook")
    delivery = Delivery.objects.create(
        crew=lead.crew, webhook=webhook, event="proposal.approved", activity_id=uuid.uuid4(), body=f'"{word}"',
        state="given up", finished_at=timezone.now(),
    )  # fmt: skip
    return CrewWorld(
        word=word, lead=lead, resident=resident, newcomer=newcomer, version=version, crate=crate, track=track,
        sheet=sheet, proposal=proposal, job=job, night=night, feed=feed, invitation=invitation,
        invitation_token=invitation_token, token=scope, remark=remark,
        search=save_search(member=lead, name=f"{word} search", query="q=tune", shared=True),
        listed=bring_list(
            member=lead, name=f"{word}.csv", content=f"title,slot 1\n{word} tune,2.5\n".encode()
        ),
        change=change_many(member=lead, kind="draft", tracks=[track]),
        notice=Notice.objects.get(recipient=lead.user),
        recheck=recheck,
        delivery=delivery,
        drill=Drill.objects.create(crew=lead.crew, membership=lead, track=track, sheet=sheet),
        marking=marking,
        address_token=link_token(address_mail),
        password_token=password_token(password_mail),
    )  # fmt: skip
