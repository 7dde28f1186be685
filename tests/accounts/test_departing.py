"""Leaving and removal: at once, with what hung on the membership, and without a word of the record changed."""

from __future__ import annotations

import pytest
from knox.models import AuthToken

from crewprep.accounts.departing import leave_crew, remove_member
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, NotFound, Refused
from crewprep.crates.models import Crate
from crewprep.crews.invitations import invitation_of, invite
from crewprep.crews.models import Membership, Role
from crewprep.crews.selectors import member_for
from crewprep.crews.services import hand_over
from crewprep.crews.tokens import make_token
from crewprep.preparation.models import Assignment, Claim
from crewprep.preparation.services import claim_track, keep_work
from crewprep.review.models import Proposal
from crewprep.review.services import withdraw_proposal
from crewprep.sheets.keeping import Work
from crewprep.sheets.models import KeptSheet
from crewprep.splitting.services import Wanted, apply_split
from tests import factories
from tests.crews.test_invitations import race, rounds


@pytest.mark.django_db
@pytest.mark.parametrize("how", ["leaves", "is removed"])
def test_everything_that_hung_on_the_membership_goes(how: str, lead: Membership, crate: Crate) -> None:
    member = factories.member_of(lead.crew, Role.LEAD)
    elsewhere = factories.member_of(factories.crew_with().crew, Role.LEAD, person=member.user)
    track = factories.analysed_track(lead, crate)
    keep_work(member=member, track=track, version=crate.convention_version, work=Work([], "", ""), seen_revision=0)
    other_track = factories.analysed_track(elsewhere, factories.crate(elsewhere))
    claim_track(member=elsewhere, track=other_track)
    wanted = [Wanted(track.pk, member.user_id, lead.user_id)]
    apply_split(member=lead, crate=crate, wanted=wanted, seen_revision=0, free={})
    make_token(user=member.user, name="crate list", crew_slug=lead.crew.slug)
    make_token(user=member.user, name="all of mine")
    _, link = invite(member=member, role=Role.LEAD)

    if how == "leaves":
        leave_crew(member=member)
    else:
        remove_member(member=lead, other=member)

    with pytest.raises(NotFound):
        member_for(member.user, lead.crew.slug)
    with pytest.raises(NotFound):
        invitation_of(link)
    assert [claim.crew for claim in Claim.objects.all()] == [elsewhere.crew]
    assert not KeptSheet.objects.exists()
    assert [row.preparer for row in Assignment.objects.all()] == [None]
    assert [token.scope.name for token in AuthToken.objects.filter(user=member.user)] == ["all of mine"]
    assert member_for(member.user, elsewhere.crew.slug) == elsewhere
    row = Activity.objects.filter(crew=lead.crew).latest("created_at")
    assert (row.verb, row.actor) == (("member left", member.user) if how == "leaves" else ("member removed", lead.user))
    assert row.details == {
        "role": "lead", "person": member.user_id, "claims": 1, "kept": 1, "invitations": 1, "tokens": 1,
    }  # fmt: skip


@pytest.mark.django_db
def test_their_work_keeps_their_name_and_leads_may_withdraw_it(lead: Membership, crate: Crate) -> None:
    author, reviewer = factories.member_of(lead.crew), factories.member_of(lead.crew)
    proposal = factories.proposal(author, into=crate)
    leave_crew(member=author)
    proposal = Proposal.objects.get(pk=proposal.pk)
    assert (proposal.state, proposal.proposed_by) == ("open", author.user)
    with pytest.raises(Refused):
        withdraw_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    assert withdraw_proposal(member=lead, proposal=proposal, seen_revision=1).state == "withdrawn"


@pytest.mark.django_db
def test_only_a_lead_removes_others(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    for member, other in ((resident, newcomer), (newcomer, lead), (resident, lead)):
        with pytest.raises(Refused, match="crew:lead-only"):
            remove_member(member=member, other=other)
    assert Membership.objects.filter(crew=lead.crew).count() == 3
    remove_member(member=lead, other=newcomer)
    with pytest.raises(Conflict, match="member:moved-on"):
        remove_member(member=lead, other=newcomer)
    assert Activity.objects.filter(verb="member removed").count() == 1


@pytest.mark.django_db
def test_the_last_lead_leaves_after_handing_over_or_alone(lead: Membership, resident: Membership) -> None:
    with pytest.raises(Conflict, match="crew:last-lead"):
        leave_crew(member=lead)
    assert member_for(lead.user, lead.crew.slug) == lead
    hand_over(member=lead, to=resident)
    leave_crew(member=lead)
    leave_crew(member=resident)  # nobody is left whom they could leave without a lead
    assert not Membership.objects.filter(crew=lead.crew).exists()


@pytest.mark.django_db
def test_coming_back_is_a_new_membership(lead: Membership) -> None:
    member = factories.member_of(lead.crew, Role.LEAD)
    leave_crew(member=member)
    again = factories.member_of(lead.crew, Role.NEWCOMER, person=member.user)
    assert again.pk != member.pk
    assert member_for(member.user, lead.crew.slug).role == Role.NEWCOMER


@pytest.mark.django_db(transaction=True)
def test_two_leads_who_leave_at_once_do_not_both_go() -> None:
    crew = factories.crew_with().crew
    people = [Membership.objects.get(crew=crew).user, factories.user()]
    factories.member_of(crew, Role.RESIDENT)
    factories.member_of(crew, Role.LEAD, person=people[1])
    for _ in range(rounds()):
        first, second = Membership.objects.filter(crew=crew, role=Role.LEAD)
        outcomes = race(
            lambda first=first: leave_crew(member=first),  # type: ignore[misc]  # defaults bind the loop
            lambda second=second: leave_crew(member=second),  # type: ignore[misc]  # defaults bind the loop
        )
        assert outcomes == {"won": 1, "crew:last-lead": 1}
        left = Membership.objects.get(crew=crew, role=Role.LEAD)
        gone = next(person for person in people if person != left.user)
        factories.member_of(crew, Role.LEAD, person=gone)
