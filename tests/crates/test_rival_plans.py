"""Two members change one night, or set one crate's night, at the same moment: one wins, the other is told."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from functools import partial

import pytest

from crewprep.crates.models import Crate, Night
from crewprep.crates.nights import NightPlan, edit_night, make_night, put_under_night
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.models import Activity
from tests.review.test_rival_verdicts import race, rounds

pytestmark = pytest.mark.django_db(transaction=True)
DATE = dt.date(2027, 6, 5)


def test_of_two_rival_changes_one_wins(lead: Membership, resident: Membership) -> None:
    night = make_night(member=lead, plan=NightPlan("Barge 0", DATE))
    total: Counter[str] = Counter()
    for number in range(1, rounds() + 1):
        seen = [Night.objects.get(pk=night.pk) for _ in range(2)]
        plans = [NightPlan(f"Barge {number} by {who.role}", DATE) for who in (lead, resident)]
        total += race(
            *(
                partial(edit_night, member=who, night=one, plan=plan, seen_revision=number)
                for who, one, plan in zip((lead, resident), seen, plans, strict=True)
            )
        )
    assert total == {"won": rounds(), "conflict": rounds()}
    assert Night.objects.get().revision == rounds() + 1
    assert Activity.objects.filter(verb="night changed").count() == rounds()


def test_of_two_rival_nights_of_a_crate_one_wins(lead: Membership, resident: Membership, crate: Crate) -> None:
    nights = [make_night(member=lead, plan=NightPlan(name, DATE)) for name in ("Barge", "Shed")]
    total: Counter[str] = Counter()
    for _ in range(rounds()):
        Crate.objects.update(night=None)
        seen = [crate_for(lead, crate.pk) for _ in nights]
        total += race(
            *(
                partial(put_under_night, member=resident, crate=one, night=night)
                for one, night in zip(seen, nights, strict=True)
            )
        )
    assert total == {"won": rounds(), "conflict": rounds()}


def test_a_rival_of_the_same_name_is_a_conflict(lead: Membership, resident: Membership) -> None:
    total: Counter[str] = Counter()
    for number in range(rounds()):
        plan = NightPlan(f"Barge {number}", DATE)
        total += race(*(partial(make_night, member=who, plan=plan) for who in (lead, resident)))
    assert total == {"won": rounds(), "conflict": rounds()}
    assert Night.objects.count() == rounds()
