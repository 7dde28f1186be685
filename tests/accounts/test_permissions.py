"""The page about roles says what the services do: each line is tried on the service itself, as each role."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import sys
from collections.abc import Callable
from typing import Any

import pytest
from django.db import transaction

import crewprep
from crewprep.accounts.departing import leave_crew, remove_member
from crewprep.accounts.permissions import PERMISSIONS, ROLES, permission_table
from crewprep.analysis.selectors import current_analysis
from crewprep.common.access import Denied
from crewprep.common.errors import DomainError, Refused
from crewprep.conventions.services import publish_convention, starter
from crewprep.crates.models import Crate
from crewprep.crates.services import make_crate
from crewprep.crews.invitations import invite
from crewprep.crews.models import Membership, Role
from crewprep.jobs.models import Job
from crewprep.onboarding.double import open_double_marking
from crewprep.onboarding.drills import begin_drill, drill_for, drop_drill
from crewprep.onboarding.progress import progress_for
from crewprep.onboarding.signing import set_bar, sign_off
from crewprep.preparation.services import assign_track, claim_track
from crewprep.review.again import reopen_proposal
from crewprep.review.asking import ask_reviewer
from crewprep.review.corrections import correct_grid
from crewprep.review.models import Proposal, Remark
from crewprep.review.options import set_options
from crewprep.review.services import amend_proposal, approve_proposal, withdraw_proposal
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark
from crewprep.sheets.markers import MarkerInput
from crewprep.splitting.services import apply_split
from crewprep.tracks.models import Track
from crewprep.tracks.tags import Tags, edit_tags
from crewprep.tracks.work import retry_work
from crewprep.webhooks.services import add_webhook
from tests import factories
from tests.onboarding.scene import approved_sheet

MARKERS = [MarkerInput(4, 90_000_000)]


def fresh(row: Any) -> Any:
    """As it stands in the table: what a probe did to it has been undone there."""
    return type(row)._default_manager.get(pk=row.pk)


@pytest.fixture
def probes(lead: Membership, crate: Crate) -> dict[str, Callable[[Membership], object]]:
    """For each permission, the service that does it."""
    author = factories.member_of(lead.crew, Role.RESIDENT)
    beginner = factories.member_of(lead.crew, Role.NEWCOMER)
    theirs = factories.proposal(author, into=crate)
    track = factories.analysed_track(lead, crate)
    free = factories.track(lead, crate)
    analysis = current_analysis(track)
    assert analysis is not None
    job = Job.objects.filter(track=free).first()
    assert job is not None
    Job.objects.filter(pk=job.pk).update(state="dead")

    remark = Remark.objects.create(proposal=theirs, revision=1, slot=4, text="A phrase late.", by=lead.user)

    approved_sheet(author, factories.member_of(lead.crew), crate)
    drill = begin_drill(member=factories.member_of(lead.crew, Role.NEWCOMER))

    def withdrawn_by(member: Membership) -> Proposal:
        own = factories.proposal(member, made=track, into=crate)
        return withdraw_proposal(member=member, proposal=own, seen_revision=1)

    def brought_by(member: Membership) -> Track:
        Track.objects.filter(pk=free.pk).update(added_by=member.user)
        return Track.objects.get(pk=free.pk)

    return {
        "prepare": lambda member: claim_track(member=member, track=free),
        "amend": lambda member: amend_proposal(
            member=member, proposal=fresh(theirs), markers=MARKERS, seen_revision=1, override_reason="a try"
        ),
        "withdraw-own": lambda member: withdraw_proposal(
            member=member, proposal=factories.proposal(member, made=track, into=crate), seen_revision=1
        ),
        "withdraw": lambda member: withdraw_proposal(member=member, proposal=fresh(theirs), seen_revision=1),
        "review": lambda member: approve_proposal(member=member, proposal=fresh(theirs), seen_revision=1),
        "review-own": lambda member: approve_proposal(
            member=member, proposal=factories.proposal(member, made=track, into=crate), seen_revision=1
        ),
        "reopen": lambda member: reopen_proposal(member=member, proposal=withdrawn_by(member), seen_revision=1),
        "ask": lambda member: ask_reviewer(
            member=member, proposal=fresh(theirs), reviewer=lead, seen_asked=fresh(theirs).asked_id
        ),
        "talk": lambda member: (
            begin_remark(member=member, proposal=fresh(theirs), slot=4, text="Why here?", seen_revision=1),
            reply_to_remark(member=member, remark=fresh(remark), text="I hear it."),
        ),
        "settle": lambda member: settle_remark(member=member, remark=fresh(remark), resolved=True),
        "review-options": lambda member: set_options(member=member, two_reviewers=True, bulk_confidence=None),
        "fill-crates": lambda member: make_crate(
            member=member, name="Friday", night_date=None, convention_version=crate.convention_version
        ),
        "tags": lambda member: edit_tags(
            member=member, track=fresh(free), seen=Tags(free.title, free.artist), new=Tags("Cold Kettle", "")
        ),
        "tags-own": lambda member: edit_tags(
            member=member, track=brought_by(member), seen=Tags(free.title, free.artist), new=Tags("Cold Kettle", "")
        ),
        "correct-grid": lambda member: correct_grid(
            member=member, track=track, seen=str(analysis.pk), change=lambda result: result, words="as it was"
        ),
        "publish": lambda member: publish_convention(member=member, document=starter("four")),
        "split": lambda member: apply_split(member=member, crate=crate, wanted=[], seen_revision=0, free={}),
        "double-marking": lambda member: open_double_marking(
            member=member, name="May", version=crate.convention_version, tracks=[track], members=[author, lead]
        ),
        "assign": lambda member: assign_track(member=member, track=free, to=author),
        "retry": lambda member: retry_work(member=member, job=fresh(job)),
        "members": lambda member: invite(member=member, role=Role.NEWCOMER),
        "remove": lambda member: remove_member(member=member, other=author),
        "progress": lambda member: progress_for(member, beginner.pk),
        "sign-off": lambda member: sign_off(member=member, other=beginner, note="heard them play", seen_drills=0),
        "sign-off-bar": lambda member: set_bar(member=member, least_drills=3, least_share=0.5),
        "webhooks": lambda member: add_webhook(member=member, url="https://receiver.invalid/"),
        "practise": lambda member: begin_drill(member=member),
        "drill-own": lambda member: drop_drill(member=member, drill=begin_drill(member=member)),
        "drill": lambda member: drill_for(member, drill.pk),
        "leave": lambda member: leave_crew(member=member),
    }


@pytest.mark.django_db
def test_the_table_says_what_the_services_do(
    lead: Membership, probes: dict[str, Callable[[Membership], object]]
) -> None:
    table = {row.permission.code: row.answers for row in permission_table(lead.crew)}
    for place, role in enumerate(ROLES):
        member = factories.member_of(lead.crew, role)
        for code, answers in table.items():
            answer = answers[place]
            refused = ""
            with transaction.atomic():
                try:
                    probes[code](member)
                except Refused as error:
                    refused = error.sentence
                except DomainError as error:  # refused for another reason than who asks: may, but not this
                    pytest.fail(f"{role} {code}: {error}")
                transaction.set_rollback(True)
            assert bool(answer) == (refused == ""), f"{role} {code}"
            assert not isinstance(answer, Denied) or answer.sentence == refused


@pytest.mark.django_db
def test_every_permission_is_tried_and_named_once(probes: dict[str, object]) -> None:
    codes = [permission.code for permission in PERMISSIONS]
    assert sorted(codes) == sorted(set(codes))
    assert set(codes) == set(probes), "A new line needs the service that does it."


@pytest.mark.django_db
def test_newcomers_and_leads_differ_as_the_roles_say(lead: Membership) -> None:
    table = {row.permission.code: [bool(answer) for answer in row.answers] for row in permission_table(lead.crew)}
    assert table["review"] == [True, True, False]
    assert table["review-own"] == [False, False, False]
    assert table["publish"] == table["members"] == table["remove"] == table["withdraw"] == [True, False, False]
    assert table["split"] == table["assign"] == [True, False, False]
    assert table["leave"] == table["prepare"] == table["withdraw-own"] == [True, True, True]


def rules_of_the_packages() -> set[str]:
    """The names of all rules: ``may_…`` in a package's ``rules`` module."""
    found = set()
    for package in pkgutil.iter_modules(crewprep.__path__):
        if not package.ispkg:
            continue
        try:
            module = importlib.import_module(f"crewprep.{package.name}.rules")
        except ModuleNotFoundError:
            continue
        found |= {
            name for name, value in vars(module).items()
            if name.startswith("may_") and inspect.isfunction(value) and value.__module__ == module.__name__
        }  # fmt: skip
    return found


@pytest.mark.django_db
def test_every_rule_is_in_the_table(lead: Membership) -> None:
    """By watching: a rule that no line of the table asks is one that the page keeps silent about."""
    asked: set[str] = set()

    def watch(frame, event, argument):
        if event == "call" and frame.f_globals.get("__name__", "").endswith(".rules"):
            asked.add(frame.f_code.co_name)

    sys.setprofile(watch)
    try:
        permission_table(lead.crew)
    finally:
        sys.setprofile(None)
    silent = rules_of_the_packages() - asked
    assert silent == set(), "Add a line to accounts/permissions.py, and the service that does it to this file."
