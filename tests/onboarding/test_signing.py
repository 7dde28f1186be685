"""The bar, and a lead's word on a newcomer: who may say it, of which figures, and what follows."""

from __future__ import annotations

from typing import Any

import pytest
from django.db.utils import IntegrityError

from crewprep.accounts.departing import remove_member
from crewprep.accounts.export import export_of
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Crew, Membership, Role
from crewprep.crews.services import change_role
from crewprep.notices.deriving import derive
from crewprep.notices.models import Notice
from crewprep.onboarding import signing
from crewprep.onboarding.figures import Pooled, Share
from crewprep.onboarding.models import SignOff
from crewprep.onboarding.signing import (
    BAR,
    Bar,
    ask_for_more,
    bar_of,
    newcomer_lines,
    ready_for_sign_off,
    set_bar,
    sign_off,
    words_on,
)  # fmt: skip
from crewprep.review.services import approve_proposal
from crewprep.web.recent import recent
from tests import factories
from tests.review.test_rival_verdicts import race, rounds


@pytest.fixture
def ready(lead: Membership, newcomer: Membership, crate: Crate) -> Membership:
    """A newcomer with one drill, all right, in a crew that asks for no more."""
    set_bar(member=lead, least_drills=1, least_share=0.2)
    factories.drill(newcomer, factories.approved_sheet(lead, crate))
    return newcomer


# The bar.


def of_seven(*right: int) -> Pooled:
    return Pooled(tuple(Share(one, 7) for one in right))


def test_what_is_missing_is_said_in_words() -> None:
    """Five drills that are alike tell as much as 35 z²/t² slots, by SciPy 17.44; of so many 6/7 reach 63 % at the lower
    end (the score interval, worked out by hand: 0.631)."""
    assert ready_for_sign_off(drills=5, share=of_seven(6, 6, 6, 6, 6), bar=BAR).ready
    nearly = ready_for_sign_off(drills=5, share=of_seven(6, 6, 6, 5, 5), bar=BAR)
    assert nearly.reasons == ("28 of 35 slots are within a beat, which could be as little as 56 %; the bar is 60 %.",)
    uneven = ready_for_sign_off(drills=5, share=of_seven(7, 7, 7, 7, 2), bar=BAR)
    assert not uneven.ready, "30 of 35 as above, but one drill went wrong as a whole"
    few = ready_for_sign_off(drills=2, share=of_seven(7, 7), bar=BAR)
    assert few.reasons[0] == "2 of 5 drills are handed in."
    none = ready_for_sign_off(drills=0, share=Pooled(()), bar=BAR)
    assert none.reasons[1] == "No slot is marked yet, which could be as little as 0 %; the bar is 60 %."
    assert not none.ready


@pytest.mark.django_db
def test_leads_set_the_bar(lead: Membership, resident: Membership, crate: Crate) -> None:
    assert bar_of(lead.crew) == BAR
    assert set_bar(member=lead, least_drills=8, least_share=0.75) == bar_of(lead.crew) == Bar(8, 0.75)
    set_bar(member=lead, least_drills=8, least_share=0.75)
    assert Activity.objects.filter(verb="bar set").count() == 1, "set to what it was is no news"
    assert bar_of(factories.crew_with().crew) == BAR
    with pytest.raises(Refused):
        set_bar(member=resident, least_drills=1, least_share=0.1)


@pytest.mark.parametrize(
    ("drills", "share", "code"),
    [(0, 0.6, "bar:drills"), (51, 0.6, "bar:drills"), (5, 1.2, "bar:share"), (5, float("nan"), "bar:share"),
     (5, 0.84, "bar:out-of-reach"), (1, 0.3, "bar:out-of-reach")],
)  # fmt: skip
@pytest.mark.django_db
def test_a_bar_that_nobody_reaches_is_refused(
    lead: Membership, crate: Crate, drills: int, share: float, code: str
) -> None:
    """All right in one drill shows 20 % (it may be chance), in five of eight slots 83 %: n / (n + z²) for n of 1 and of
    40 z²/t², SciPy's quantiles."""
    with pytest.raises(Invalid, match=code):
        set_bar(member=lead, least_drills=drills, least_share=share)
    assert set_bar(member=lead, least_drills=5, least_share=0.83)


@pytest.mark.django_db
def test_the_latest_drills_are_judged(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    set_bar(member=lead, least_drills=2, least_share=0.3)
    factories.drill(newcomer, factories.approved_sheet(lead, crate), dict.fromkeys(range(1, 9)))
    for _ in range(2):
        factories.drill(newcomer, factories.approved_sheet(lead, crate))
    (line,) = newcomer_lines(lead)
    assert (line.member, line.readiness.drills, line.readiness.share) == (newcomer, 3, of_seven(7, 7))
    assert line.readiness.ready
    assert newcomer_lines(newcomer) == []


# The word.


@pytest.mark.django_db
def test_a_sign_off_makes_a_resident_and_keeps_what_was_seen(lead: Membership, ready: Membership) -> None:
    said = sign_off(member=lead, other=ready, note="", seen_drills=1)
    ready.refresh_from_db()
    assert ready.role == Role.RESIDENT
    assert said.figures == {
        "drills": 1, "ready": True, "bar": {"least_drills": 1, "least_share": 0.2},
        "within": {"quarter": [7, 7], "beat": [7, 7], "bar": [7, 7], "phrase": [7, 7]},
    }  # fmt: skip
    verbs = list(Activity.objects.filter(actor=lead.user).order_by("created_at").values_list("verb", flat=True))
    assert verbs[-2:] == ["role changed", "signed off"]
    assert recent(lead)[0].what == f"signed {ready.user} off"
    assert list(words_on(ready)) == [said]


@pytest.mark.django_db
def test_whoever_is_signed_off_reviews_at_once(lead: Membership, ready: Membership, crate: Crate) -> None:
    proposal = factories.proposal(factories.member_of(crate.crew), into=crate)
    with pytest.raises(Refused):
        approve_proposal(member=ready, proposal=proposal, seen_revision=1)
    sign_off(member=lead, other=ready, note="", seen_drills=1)
    assert approve_proposal(member=ready, proposal=proposal, seen_revision=1).approved_by == ready.user


@pytest.mark.django_db
def test_below_the_bar_a_note_says_why(lead: Membership, newcomer: Membership) -> None:
    with pytest.raises(Invalid, match="sign-off:note-missing") as refused:
        sign_off(member=lead, other=newcomer, note="  ", seen_drills=0)
    assert "0 of 5 drills are handed in." in refused.value.sentence
    newcomer.refresh_from_db()
    assert newcomer.role == Role.NEWCOMER
    said = sign_off(member=lead, other=newcomer, note=" Has played with us for years. ", seen_drills=0)
    assert (said.note, said.figures["ready"]) == ("Has played with us for years.", False)


@pytest.mark.django_db
def test_who_may_say_it(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    for member, other, code in (
        (resident, newcomer, "crew:lead-only"),
        (newcomer, newcomer, "sign-off:oneself"),
        (lead, lead, "sign-off:oneself"),
    ):
        for say in (sign_off, ask_for_more):
            with pytest.raises(Refused, match=code):
                say(member=member, other=other, note="as heard", seen_drills=0)
    with pytest.raises(Conflict, match="sign-off:no-newcomer"):
        sign_off(member=lead, other=resident, note="as heard", seen_drills=0)
    with pytest.raises(IntegrityError):
        SignOff.objects.create(crew=lead.crew, person=lead.user, by=lead.user, end="signed off", figures={})


@pytest.mark.django_db
def test_what_has_moved_on_is_looked_at_again(lead: Membership, ready: Membership, crate: Crate) -> None:
    factories.drill(ready, factories.approved_sheet(lead, crate), {1: None})
    for say in (sign_off, ask_for_more):
        with pytest.raises(Conflict, match="sign-off:moved-on"):
            say(member=lead, other=ready, note="as heard", seen_drills=1)
    change_role(member=lead, other=ready, role=Role.RESIDENT, seen_role=Role.NEWCOMER)
    for say in (sign_off, ask_for_more):
        with pytest.raises(Conflict, match="sign-off:no-newcomer"):
            say(member=lead, other=ready, note="as heard", seen_drills=2)
    assert not SignOff.objects.exists()


@pytest.mark.django_db
def test_asking_for_more_says_of_what_and_once(lead: Membership, ready: Membership, crate: Crate) -> None:
    with pytest.raises(Invalid, match="sign-off:more-note-missing"):
        ask_for_more(member=lead, other=ready, note=" ", seen_drills=1)
    ask_for_more(member=lead, other=ready, note="The exit loop, please.", seen_drills=1)
    with pytest.raises(Conflict, match="sign-off:asked-already"):
        ask_for_more(member=lead, other=ready, note="The exit loop!", seen_drills=1)
    ready.refresh_from_db()
    assert ready.role == Role.NEWCOMER
    factories.drill(ready, factories.approved_sheet(lead, crate))
    ask_for_more(member=lead, other=ready, note="Once more.", seen_drills=2)
    sign_off(member=lead, other=ready, note="", seen_drills=2)
    assert [one.end for one in words_on(ready)] == ["signed off", "more", "more"]


@pytest.mark.django_db
def test_the_newcomer_is_told(lead: Membership, ready: Membership) -> None:
    derive()
    ask_for_more(member=lead, other=ready, note="The exit loop, please", seen_drills=1)
    derive()
    asked = Notice.objects.get(recipient=ready.user, kind="more-practice")
    assert asked.sentence == (
        f"{lead.user} asked you for more practice before the sign-off, with the note “The exit loop, please”."
    )
    assert asked.path.endswith(f"/practice/progress/{ready.pk}/")
    sign_off(member=lead, other=ready, note="", seen_drills=1)
    derive()
    signed = Notice.objects.get(recipient=ready.user, kind="signed-off")
    assert signed.sentence == f"{lead.user} signed you off: you are a resident now and may review."
    assert signed.path.endswith("/queue/")
    asked.refresh_from_db()
    assert asked.read_at is not None, "what was asked for before the sign-off needs no reading"
    assert not Notice.objects.filter(recipient=lead.user, kind__in=["signed-off", "more-practice"]).exists()


@pytest.mark.django_db
def test_words_outlast_the_membership_and_are_exported(lead: Membership, ready: Membership) -> None:
    sign_off(member=lead, other=ready, note="Well heard.", seen_drills=1)
    person = ready.user
    remove_member(member=lead, other=ready)
    said = SignOff.objects.get(person=person)
    (theirs,) = export_of(person)["sections"]["SignOff"]
    assert (theirs["end"], theirs["by"]) == ("signed off", "another member")
    assert theirs["figures"]["drills"] == 1
    (of_lead,) = export_of(lead.user)["sections"]["SignOff"]
    assert "figures" not in of_lead, "the figures are the newcomer's"
    assert said.note == of_lead["note"]


# Two leads at once.


class Leads:
    """A crew with two leads, and a fresh newcomer for each round."""

    def __init__(self) -> None:
        self.first = factories.crew_with()
        self.second = factories.member_of(self.first.crew, Role.LEAD)
        self.crew: Crew = self.first.crew

    def runner(self, say: Any, member: Membership, other: Membership) -> Any:
        seen = Membership.objects.get(pk=other.pk)
        return lambda: say(member=member, other=seen, note="as heard", seen_drills=0)

    def newcomer(self) -> Membership:
        return factories.member_of(self.crew, Role.NEWCOMER)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("say", [sign_off, ask_for_more])
def test_of_two_leads_who_say_the_same_one_wins(say: Any) -> None:
    leads = Leads()
    for _ in range(max(20, rounds() // 4)):
        newcomer = leads.newcomer()
        outcomes = race(leads.runner(say, leads.first, newcomer), leads.runner(say, leads.second, newcomer))
        assert outcomes == {"won": 1, "conflict": 1}
        assert words_on(newcomer).count() == 1
        assert Activity.objects.filter(details__person=newcomer.user_id, verb="role changed").count() == (
            1 if say is sign_off else 0
        )


@pytest.mark.django_db(transaction=True)
def test_nobody_is_asked_for_more_after_the_sign_off() -> None:
    leads = Leads()
    for _ in range(max(20, rounds() // 4)):
        newcomer = leads.newcomer()
        race(leads.runner(sign_off, leads.first, newcomer), leads.runner(ask_for_more, leads.second, newcomer))
        newcomer.refresh_from_db()
        assert newcomer.role == Role.RESIDENT
        assert words_on(newcomer)[0].end == "signed off"


@pytest.mark.server_only
@pytest.mark.django_db(transaction=True)
def test_control_without_the_lock_both_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(signing, "lock_members", lambda crew: None)
    leads, both = Leads(), 0
    for _ in range(40):
        newcomer = leads.newcomer()
        runners = [leads.runner(ask_for_more, one, newcomer) for one in (leads.first, leads.second)]
        both += race(*runners)["won"] == 2
    assert both > 0
