"""Who is told what of the record, once each, also where a transaction commits late or two workers look at once."""

from __future__ import annotations

import datetime as dt
import threading

import pytest
from django.db import connection, transaction
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.activity.services import record
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.notices import deriving
from crewprep.notices.choices import choose
from crewprep.notices.deriving import LOOK_BACK, derive, forget
from crewprep.notices.models import DerivedActivity, Notice, NoticeCursor
from crewprep.notices.selectors import unread_of
from crewprep.preparation.services import assign_track, claim_track, take_over
from crewprep.review.again import reopen_proposal
from crewprep.review.services import (
    amend_proposal,
    approve_proposal,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.splitting.services import Wanted, apply_split
from tests import factories
from tests.jobs.test_rivals import at_once
from tests.notices.conftest import Told, kinds, put_to_nobody

pytestmark = pytest.mark.django_db


def chosen(member: Membership, **ways: str) -> None:
    choose(
        member=member, ways={name.replace("_", "-"): way for name, way in ways.items()}, mail_off=False, digest=False,
        digest_hour=9, quiet_from=None, quiet_until=None, zone="UTC",
    )  # fmt: skip


def test_a_proposal_from_asking_to_the_verdict(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, told: Told
) -> None:
    derive()
    proposal = factories.proposal(newcomer, made=factories.analysed_track(lead, crate), into=crate)
    title = proposal.track.title
    derive()
    asked = f"{newcomer.user} proposed a sheet for “{title}”, and it waits for your review."
    assert [member.user for member in (lead, resident) if asked in told(member)] == [proposal.asked]
    assert not [sentence for sentence in told(newcomer) if "review" in sentence], "not its author, nor a newcomer"

    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Not yet.")
    derive()
    assert told(newcomer)[-1] == f"{lead.user} returned the proposal for “{title}” with remarks."
    for member in (lead, resident):
        assert not unread_of(member).filter(kind="review-asked").exists(), "the verdict is given"

    amend_proposal(
        member=resident, proposal=proposal, markers=factories.eight_markers(proposal.analysis), seen_revision=1
    )
    derive()
    changed = f"{resident.user} changed the proposal for “{title}”, and it waits for your review."
    assert told(lead)[-1] == changed
    assert changed not in told(resident), "an author by now"
    assert not unread_of(newcomer).filter(kind="returned").exists(), "somebody has acted on it"

    approve_proposal(member=lead, proposal=proposal, seen_revision=2)
    derive()
    approved = f"{lead.user} approved the proposal for “{title}” as sheet 1."
    assert (told(newcomer)[-1], told(resident)[-1]) == (approved, approved)
    assert approved not in told(lead)
    assert Notice.objects.get(recipient=newcomer.user, kind="approved").path.endswith(f"/proposals/{proposal.pk}/")


def test_what_is_withdrawn_or_decided_before_a_worker_looks_asks_nobody(lead: Membership, resident: Membership) -> None:
    crate = factories.crate(lead)
    gone, decided = factories.proposal(resident, into=crate), factories.proposal(resident, into=crate)
    withdraw_proposal(member=resident, proposal=gone, seen_revision=1)
    approve_proposal(member=lead, proposal=decided, seen_revision=1)
    derive()
    assert "review-asked" not in kinds(lead)
    assert kinds(resident).count("approved") == 1


def test_a_track_that_changes_hands(lead: Membership, resident: Membership, newcomer: Membership, told: Told) -> None:
    track = factories.analysed_track(lead)
    claim_track(member=resident, track=track)
    take_over(member=newcomer, track=track, seen_holder=resident.user_id, note="needed tonight")
    derive()
    assert told(resident)[-1] == (f"{newcomer.user} took over “{track.title}” from you with the note “needed tonight”.")
    assign_track(member=lead, track=track, to=resident)
    derive()
    assert told(resident)[-1] == f"{lead.user} gave you “{track.title}” to prepare."
    assert told(newcomer)[-1] == f"{lead.user} gave “{track.title}”, which you held, to another member."
    assign_track(member=lead, track=track, to=lead)
    derive()
    assert kinds(lead).count("claim-moved") == 0, "what one did oneself is no news"


def test_a_divided_crate_and_the_review_that_was_given_to_one(
    lead: Membership, resident: Membership, crate: Crate, told: Told
) -> None:
    other = factories.member_of(lead.crew)
    tracks = [factories.analysed_track(lead, crate) for _ in range(3)]
    wanted = [
        Wanted(tracks[0].pk, resident.user_id, other.user_id),
        Wanted(tracks[1].pk, resident.user_id, None),
        Wanted(tracks[2].pk, lead.user_id, resident.user_id),
    ]
    apply_split(member=lead, crate=crate, wanted=wanted, seen_revision=0, free={})
    derive()
    assert told(resident)[-1] == f"{lead.user} divided “{crate.name}”: you have 2 to prepare and 1 to review."
    assert told(other)[-1] == f"{lead.user} divided “{crate.name}”: you have 1 to review."
    assert kinds(lead) == []
    factories.proposal(resident, made=tracks[0], into=crate)
    derive()
    assert (kinds(other)[-1], kinds(lead)) == ("review-asked", []), "it was given to one"
    put_to_nobody(factories.proposal(other, made=tracks[1], into=crate))
    derive()
    assert "review-asked" in kinds(lead)
    assert "review-asked" in kinds(resident)


def test_a_published_convention(lead: Membership, resident: Membership, told: Told) -> None:
    factories.convention(lead)
    derive()
    assert told(resident) == [f"{lead.user} published the convention “House”, version 1."]
    assert told(lead) == []


def test_what_one_does_not_want_is_not_made_and_those_who_left_are_told_nothing(
    lead: Membership, resident: Membership, newcomer: Membership
) -> None:
    chosen(resident, convention_published="off")
    factories.convention(lead)
    newcomer.delete()
    derive()
    assert Notice.objects.count() == 0


def test_each_is_told_once_and_marks_are_forgotten_when_they_cannot_be_met_again(
    lead: Membership, resident: Membership
) -> None:
    factories.convention(lead)
    assert derive() == 1
    assert derive() == 0
    assert Notice.objects.count() == 1
    later = timezone.now() + 3 * LOOK_BACK
    assert derive(now=later) == 0
    assert forget() == 1
    assert derive(now=later) == 0, "the row lies behind the cursor by now"
    assert not DerivedActivity.objects.exists()


def test_a_row_that_cannot_be_told_of_holds_up_no_other(
    lead: Membership, resident: Membership, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(row: Activity) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(deriving.DERIVERS, "proposed", broken)
    factories.proposal(lead)
    assert derive() == 2
    assert kinds(resident) == ["convention-published"]
    assert "Nothing could be told of activity" in caplog.text
    assert derive() == 0


@pytest.mark.server_only
@pytest.mark.django_db(transaction=True)
def test_a_transaction_that_commits_after_a_later_one_was_seen_is_told_too() -> None:
    """On SQLite writers stand in a queue, so only PostgreSQL has a row that is dated before and seen after another."""
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    version = factories.convention(lead)
    derive()
    started, go_on = threading.Event(), threading.Event()

    def publish(name: str) -> Activity:
        return record(actor=lead.user, verb="convention published", subject=version, name=name, number=1)

    def slow() -> None:
        try:
            with transaction.atomic():
                publish("Slow")
                started.set()
                assert go_on.wait(30)
        finally:
            connection.close()

    thread = threading.Thread(target=slow)
    thread.start()
    assert started.wait(30)
    with transaction.atomic():
        publish("Quick")
    assert derive() == 1
    cursor = NoticeCursor.objects.get()
    go_on.set()
    thread.join()
    late = Activity.objects.get(details__name="Slow")
    assert late.created_at < cursor.read_until, "the cursor has passed it"
    assert derive() == 1
    assert Notice.objects.filter(recipient=resident.user, about=str(late.pk)).count() == 1
    assert Notice.objects.filter(recipient=resident.user).count() == 3


@pytest.mark.django_db(transaction=True)
def test_several_workers_at_once_tell_each_thing_once() -> None:
    lead = factories.crew_with()
    others = [factories.member_of(lead.crew) for _ in range(5)]
    with transaction.atomic():
        version = factories.convention(lead)
        for _ in range(39):
            record(actor=lead.user, verb="convention published", subject=version, name="House", number=1)
    answers = at_once(derive)
    assert not [answer for answer in answers if isinstance(answer, BaseException)]
    derive()
    assert Notice.objects.count() == 40 * len(others)
    assert DerivedActivity.objects.count() == 40


def test_a_worker_that_was_away_for_a_week_tells_what_happened_meanwhile(
    lead: Membership, resident: Membership
) -> None:
    derive()
    NoticeCursor.objects.update(read_until=timezone.now() - dt.timedelta(days=7))
    factories.convention(lead)
    assert derive() == 1
    assert kinds(resident) == ["convention-published"]


def test_a_proposal_that_is_opened_again_asks_again(
    lead: Membership, resident: Membership, crate: Crate, told: Told
) -> None:
    derive()
    proposal = factories.proposal(resident, into=crate)
    withdraw_proposal(member=resident, proposal=proposal, seen_revision=1)
    derive()
    assert not unread_of(lead).filter(kind="review-asked").exists()
    reopen_proposal(member=resident, proposal=proposal, seen_revision=1)
    derive()
    assert unread_of(lead).filter(kind="review-asked").count() == 1
    title = proposal.track.title
    assert told(lead)[-1] == f"{resident.user} opened the proposal for “{title}” again, and it waits for your review."
