"""Who is told of a review's turns: only those it waits for or concerns, each once, never who did it or a stranger."""

from __future__ import annotations

import pytest
from django.db import transaction
from django.db.models import Count
from django.utils import timezone

from crewprep.accounts.departing import leave_crew, remove_member
from crewprep.activity.models import Activity
from crewprep.activity.services import record
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role, User
from crewprep.notices.deriving import derive, reviewers_to_ask
from crewprep.notices.models import Mail, Notice
from crewprep.notices.packing import pack
from crewprep.notices.selectors import unread_of
from crewprep.preparation.models import Assignment
from crewprep.review.again import merge_proposal
from crewprep.review.asking import ask_reviewer
from crewprep.review.models import Proposal, Remark
from crewprep.review.options import set_options
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    give_approval,
    return_proposal,
)  # fmt: skip
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark
from tests import factories
from tests.notices.conftest import Told, put_to_nobody, with_address

pytestmark = pytest.mark.django_db

TO_REVIEW = ("review-asked", "second-approval")


@pytest.fixture
def third(lead: Membership, resident: Membership) -> Membership:
    return factories.member_of(lead.crew)


@pytest.fixture
def stranger() -> Membership:
    """The lead of another crew."""
    return factories.crew_with()


@pytest.fixture
def proposal(
    lead: Membership, resident: Membership, third: Membership, newcomer: Membership, stranger: Membership, crate: Crate
) -> Proposal:
    """A newcomer's, put to the resident; three may review it, and what was told so far is read."""
    made = factories.proposal(newcomer, made=factories.analysed_track(lead, crate), into=crate)
    Proposal.objects.filter(pk=made.pk).update(asked=resident.user)
    made.refresh_from_db()
    derive()
    return made


def users(members: list[Membership]) -> list[int]:
    return sorted(member.user_id for member in members)


def waiting(kind: str) -> list[int]:
    """The users with an unread notice of a kind, each as often as they have one."""
    return sorted(Notice.objects.filter(kind=kind, read_at=None).values_list("recipient_id", flat=True))


def amend(proposal: Proposal, member: Membership) -> None:
    markers = factories.eight_markers(proposal.analysis)
    amend_proposal(member=member, proposal=proposal, markers=markers, seen_revision=proposal.revision)


def test_whom_a_proposal_waits_for(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, crate: Crate
) -> None:
    assert users(reviewers_to_ask(proposal)) == users([resident])
    Assignment.objects.create(
        crew=lead.crew, crate=crate, track=proposal.track, reviewer=third.user, minutes=9, review_minutes=3
    )
    assert users(reviewers_to_ask(proposal)) == users([resident]), "put to one, whatever a split said before"
    proposal.asked = None
    assert users(reviewers_to_ask(proposal)) == users([third])
    Assignment.objects.all().delete()
    assert users(reviewers_to_ask(proposal)) == users([lead, resident, third])


@pytest.mark.parametrize("why", ["demoted", "author", "asleep", "left"])
def test_one_who_was_asked_and_cannot_review_leaves_it_to_all_who_may(
    why: str, proposal: Proposal, lead: Membership, resident: Membership, third: Membership
) -> None:
    if why == "demoted":
        Membership.objects.filter(pk=resident.pk).update(role=Role.NEWCOMER)
    elif why == "author":
        proposal.contributors.add(resident.user)
    elif why == "asleep":
        User.objects.filter(pk=resident.user_id).update(is_active=False)
    else:
        Membership.objects.filter(pk=resident.pk).delete()
    assert users(reviewers_to_ask(proposal)) == users([lead, third])


def test_a_review_that_is_put_to_another(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership, told: Told
) -> None:
    assert waiting("review-asked") == users([resident])
    ask_reviewer(member=newcomer, proposal=proposal, reviewer=third, seen_asked=resident.user_id)
    derive()
    asked = f"{newcomer.user} asked you to review the proposal for “{proposal.track.title}”."
    assert told(third)[-1] == asked
    assert waiting("review-asked") == users([third]), "it waits for the other no more"
    assert Notice.objects.filter(text__startswith="asked you").count() == 1

    ask_reviewer(member=lead, proposal=proposal, reviewer=resident, seen_asked=third.user_id)
    ask_reviewer(member=lead, proposal=proposal, reviewer=third, seen_asked=resident.user_id)
    derive()
    derive()
    assert waiting("review-asked") == users([third])
    assert told(third).count(asked.replace(str(newcomer.user), str(lead.user))) == 1, "back again is asked again"
    assert not [sentence for sentence in told(resident) if "asked you" in sentence], "over before anybody looked"


def test_whoever_asks_themself_knows_it(proposal: Proposal, lead: Membership, resident: Membership) -> None:
    ask_reviewer(member=lead, proposal=proposal, reviewer=lead, seen_asked=resident.user_id)
    derive()
    assert waiting("review-asked") == []
    assert not Notice.objects.filter(recipient=lead.user).exclude(kind="convention-published").exists()


def test_put_to_another_while_it_is_returned_it_asks_them_when_it_is_changed(
    proposal: Proposal, lead: Membership, third: Membership, resident: Membership, newcomer: Membership
) -> None:
    return_proposal(member=resident, proposal=proposal, seen_revision=1, note="Not yet.")
    ask_reviewer(member=lead, proposal=proposal, reviewer=third, seen_asked=resident.user_id)
    derive()
    assert waiting("review-asked") == []
    amend(proposal, newcomer)
    derive()
    assert waiting("review-asked") == users([third])


@pytest.mark.parametrize("how", ["leaves", "is removed"])
def test_a_review_that_falls_to_another_when_somebody_goes(
    how: str, proposal: Proposal, lead: Membership, resident: Membership, third: Membership, crate: Crate, told: Told
) -> None:
    newcomer = Membership.objects.get(user=proposal.proposed_by)
    also = factories.proposal(newcomer, made=factories.analysed_track(lead, crate), into=crate)
    Proposal.objects.filter(pk=also.pk).update(asked=lead.user)
    if how == "leaves":
        leave_crew(member=resident)
    else:
        remove_member(member=lead, other=resident)
    proposal.refresh_from_db()
    assert proposal.asked == third.user, "who has less to do"
    row = Activity.objects.get(verb="review passed on")
    assert (row.details["person"], row.actor) == (third.user_id, resident.user if how == "leaves" else lead.user)
    derive()
    assert told(third)[-1] == f"The review of “{proposal.track.title}” is yours now."
    assert waiting("review-asked") == users([lead, third])


def test_the_first_of_two_approvals(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership, told: Told
) -> None:
    with_address(lead, resident, third, newcomer)
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    give_approval(member=resident, proposal=proposal, seen_revision=1)
    derive()
    derive()
    assert proposal.asked in (lead.user, third.user)
    second, other = (lead, third) if proposal.asked == lead.user else (third, lead)
    did = f"{resident.user} gave the first of two approvals for “{proposal.track.title}”"
    assert told(second).count(f"{did}, and it waits for yours.") == 1
    assert told(other).count(f"{did}, and a second one makes it the sheet.") == 1
    assert (waiting("review-asked"), waiting("second-approval")) == (users([second]), users([other]))
    assert not [sentence for sentence in told(resident) + told(newcomer) if "the first of two" in sentence]
    pack()
    assert list(Mail.objects.values_list("recipient", flat=True)) == [second.user_id], "a mail to the one alone"

    give_approval(member=other, proposal=proposal, seen_revision=1)
    derive()
    assert [waiting(kind) for kind in TO_REVIEW] == [[], []], "the sheet is made"


def test_who_was_asked_already_is_told_of_a_first_approval_on_the_page_and_asked_no_second_time(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership
) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    give_approval(member=third, proposal=proposal, seen_revision=1)
    derive()
    assert proposal.asked == resident.user
    assert waiting("review-asked") == users([resident]), "as before"
    assert waiting("second-approval") == users([lead, resident])
    assert Notice.objects.filter(recipient=resident.user, kind="review-asked").count() == 1
    amend(proposal, newcomer)
    derive()
    assert waiting("second-approval") == [], "a change makes the first one void"
    assert waiting("review-asked") == users([resident])


def test_a_first_approval_that_was_overtaken_before_a_worker_looks_tells_nothing(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership
) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    give_approval(member=third, proposal=proposal, seen_revision=1)
    amend(proposal, newcomer)
    derive()
    assert not Notice.objects.filter(kind="second-approval").exists()
    assert waiting("review-asked") == users([resident])


def test_where_it_is_put_to_nobody_a_first_approval_asks_all_who_may(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership
) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    give_approval(member=third, proposal=proposal, seen_revision=1)
    put_to_nobody(proposal)
    derive()
    assert waiting("review-asked") == users([lead, resident])
    assert waiting("second-approval") == users([resident]), "who was asked before"


def test_a_reply_is_told_to_whom_the_remark_concerns(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership, told: Told
) -> None:
    with_address(lead, resident, third, newcomer)
    return_proposal(member=resident, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "A phrase late.")])
    derive()
    pack()
    mails, remark, title = Mail.objects.count(), Remark.objects.get(), proposal.track.title
    reply_to_remark(member=newcomer, remark=remark, text="The pick-up belongs to it.")
    derive()
    derive()
    assert told(resident)[-1] == f"{newcomer.user} replied to your remark on slot 4 of “{title}”."
    assert waiting("replied") == users([resident])

    reply_to_remark(member=third, remark=remark, text="I hear it too.")
    derive()
    assert told(newcomer)[-1] == f"{third.user} replied to a remark on slot 4 of “{title}”."
    assert waiting("replied") == users([resident, resident, newcomer])

    reply_to_remark(member=resident, remark=remark, text="Then keep it.")
    derive()
    assert waiting("replied") == users([resident, resident, newcomer, newcomer])
    pack()
    assert Mail.objects.count() == mails, "talk is on the page alone"
    path = unread_of(newcomer).filter(kind="replied").values_list("path", flat=True)[0]
    assert path == f"/c/{lead.crew.slug}/proposals/{proposal.pk}/#thread-{remark.pk}"


def test_a_remark_without_a_verdict_is_told_to_the_authors(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, newcomer: Membership, told: Told
) -> None:
    with_address(lead, resident, third, newcomer)
    proposal.contributors.add(third.user)
    before = dict(Notice.objects.order_by().values_list("recipient").annotate(Count("pk")))
    title = proposal.track.title
    remark = begin_remark(member=resident, proposal=proposal, slot=4, text="Why here?", seen_revision=1)
    derive()
    derive()
    said = f"{resident.user} wrote a remark on slot 4 of “{title}”."
    assert waiting("remarked") == users([newcomer, third]), "all who had a hand, each once"
    assert told(newcomer)[-1] == told(third)[-1] == said
    assert said not in told(resident) + told(lead)
    assert Notice.objects.filter(recipient__in=[lead.user, resident.user]).count() == sum(
        before.get(one.user_id, 0) for one in (lead, resident)
    )
    path = unread_of(newcomer).filter(kind="remarked").values_list("path", flat=True)[0]
    assert path == f"/c/{lead.crew.slug}/proposals/{proposal.pk}/#thread-{remark.pk}"

    reply_to_remark(member=newcomer, remark=remark, text="The pick-up belongs to it.")
    derive()
    assert told(resident)[-1] == f"{newcomer.user} replied to your remark on slot 4 of “{title}”."
    begin_remark(member=third, proposal=proposal, slot=2, text="Or here?", seen_revision=1)
    derive()
    assert waiting("remarked") == users([newcomer, newcomer, third]), "never the one who wrote it, author or not"
    assert waiting("review-asked") == users([resident]), "the review waits as before"
    settle_remark(member=resident, remark=remark, resolved=True)
    derive()
    assert waiting("remarked") == users([newcomer]), "what is settled needs no reading"
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    derive()
    assert waiting("remarked") == []


def test_several_remarks_in_one_sitting_are_one_mail(
    proposal: Proposal, resident: Membership, third: Membership, newcomer: Membership
) -> None:
    with_address(resident, third, newcomer)

    def asked(member: Membership, slot: int) -> int:
        before = Mail.objects.filter(recipient=newcomer.user).count()
        begin_remark(member=member, proposal=proposal, slot=slot, text="Why here?", seen_revision=1)
        derive()
        pack()
        return Mail.objects.filter(recipient=newcomer.user).count() - before

    pack()
    assert [asked(resident, 1), asked(resident, 2), asked(third, 3), asked(resident, 4)] == [1, 0, 1, 0]
    assert waiting("remarked") == [newcomer.user_id] * 4, "on the page stands each"
    Notice.objects.update(read_at=timezone.now())
    assert asked(resident, 5) == 1, "once they have looked the next is a mail again"


def test_a_remark_that_was_settled_or_decided_before_a_worker_looks_tells_nothing(
    proposal: Proposal, lead: Membership, resident: Membership
) -> None:
    remark = begin_remark(member=resident, proposal=proposal, slot=4, text="Why here?", seen_revision=1)
    settle_remark(member=resident, remark=remark, resolved=True)
    begin_remark(member=resident, proposal=proposal, slot=5, text="And here?", seen_revision=1)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    derive()
    assert not Notice.objects.filter(kind="remarked").exists()


def test_a_merge_asks_as_a_change_does(
    lead: Membership, resident: Membership, newcomer: Membership, crate: Crate, told: Told
) -> None:
    track = factories.analysed_track(lead, crate)
    approve_proposal(member=lead, proposal=factories.proposal(newcomer, track, crate), seen_revision=1)
    proposal = factories.proposal(newcomer, track, crate)
    Proposal.objects.filter(pk=proposal.pk).update(asked=lead.user, base=None)  # put forward before that sheet
    proposal.refresh_from_db()
    derive()
    before = waiting("review-asked")
    merge_proposal(
        member=resident, proposal=proposal, seen_revision=1, seen_sheet=1, choices=dict.fromkeys(range(1, 9), "yours")
    )
    derive()
    derive()
    merged = (
        f"{resident.user} merged the proposal for “{track.title}” with a newer sheet, and it waits for your review."
    )
    assert told(lead).count(merged) == 1
    assert waiting("review-asked") == before == users([lead])
    assert merged not in told(resident) + told(newcomer), "authors"


def test_a_stranger_whom_the_record_names_is_told_nothing(
    proposal: Proposal, lead: Membership, resident: Membership, third: Membership, stranger: Membership
) -> None:
    """Not by being named in the row, by having been asked, by a remark, nor by leading another crew."""
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    remark = Remark.objects.create(proposal=proposal, revision=1, slot=4, text="Late.", by=stranger.user)
    give_approval(member=third, proposal=proposal, seen_revision=1)
    Proposal.objects.filter(pk=proposal.pk).update(asked=stranger.user)
    with transaction.atomic():
        for verb in ("reviewer asked", "review passed on"):
            record(actor=lead.user, verb=verb, subject=proposal, track="x", person=stranger.user_id)
    reply_to_remark(member=resident, remark=remark, text="No.")
    amend(proposal, lead)
    derive()
    assert Notice.objects.filter(recipient=stranger.user).count() == 0
    assert Activity.objects.filter(verb__in=["reviewer asked", "replied", "approved once"]).count() == 3
    assert waiting("replied") == sorted({proposal.proposed_by_id, lead.user_id}), "the authors are"
