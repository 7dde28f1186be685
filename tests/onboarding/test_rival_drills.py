"""Two windows of one member at the same moment: one drill is begun, one hand-in counts, nothing is lost.

As in ``tests/review/test_rival_verdicts.py``: on PostgreSQL rivals run side by side, on SQLite they queue.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.common.errors import NotFound
from crewprep.onboarding.drills import begin_drill, drop_drill, hand_in, keep_drill
from crewprep.onboarding.models import Drill, DrillScore, Sight, SlotCard
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.onboarding.scene import approved_sheet, late, right_markers
from tests.review.test_rival_verdicts import race, rounds

pytestmark = pytest.mark.django_db(transaction=True)


class Windows:
    """A newcomer with two windows, and a fresh drill for each round."""

    def __init__(self) -> None:
        lead = factories.crew_with()
        resident = factories.member_of(lead.crew)
        self.member = factories.member_of(lead.crew, "newcomer")
        crate = factories.crate(lead)
        for _ in range(2):
            approved_sheet(lead, resident, crate)

    def afresh(self) -> None:
        for kind in (Drill, Sight, SlotCard):
            kind.objects.all().delete()

    def drill(self) -> Drill:
        self.afresh()
        return begin_drill(member=self.member, seed=1)

    def keeps(self, drill: Drill, at_us: int) -> Callable[[], object]:
        return lambda: keep_drill(
            member=self.member, drill=drill, markers=[MarkerInput(4, at_us)], seen_revision=drill.revision
        )

    def hands_in(self, drill: Drill, late_us: int = 0) -> Callable[[], object]:
        markers = late(right_markers(drill), 4, late_us)
        return lambda: hand_in(member=self.member, drill=drill, markers=markers, seen_revision=drill.revision)

    def begins(self, seed: int, begun: list[Drill]) -> Callable[[], object]:
        return lambda: begun.append(begin_drill(member=self.member, seed=seed))

    def drops(self, drill: Drill) -> Callable[[], object]:
        return lambda: drop_drill(member=self.member, drill=drill)


def test_of_two_beginnings_one_drill_comes() -> None:
    windows = Windows()
    for seed in range(max(20, rounds() // 4)):
        windows.afresh()
        begun: list[Drill] = []
        assert race(windows.begins(seed, begun), windows.begins(seed + 1, begun)) == {"won": 2}
        assert Drill.objects.get().pk == begun[0].pk == begun[1].pk


def test_of_two_hand_ins_one_counts() -> None:
    windows = Windows()
    for _ in range(max(20, rounds() // 4)):
        drill = windows.drill()
        outcomes = race(windows.hands_in(drill), windows.hands_in(drill, late_us=5_000_000))
        assert outcomes == {"won": 1, "conflict": 1}
        assert DrillScore.objects.filter(drill=drill).count() == 7
        assert SlotCard.objects.count() == 7


def test_the_same_hand_in_twice_counts_once() -> None:
    windows = Windows()
    for _ in range(max(20, rounds() // 4)):
        drill = windows.drill()
        assert race(windows.hands_in(drill), windows.hands_in(drill)) == {"won": 2}
        assert DrillScore.objects.filter(drill=drill).count() == 7


def test_of_two_keepings_neither_overwrites_the_other() -> None:
    windows = Windows()
    for _ in range(max(20, rounds() // 4)):
        drill = windows.drill()
        assert race(windows.keeps(drill, 1_000), windows.keeps(drill, 2_000)) == {"won": 1, "conflict": 1}


def test_what_is_handed_in_is_never_dropped() -> None:
    windows = Windows()
    for _ in range(max(20, rounds() // 4)):
        drill = windows.drill()
        outcomes = race(windows.hands_in(drill), windows.drops(drill))
        if Drill.objects.exists():
            assert outcomes == {"won": 1, "conflict": 1}
            assert DrillScore.objects.filter(drill=drill).count() == 7
        else:
            assert outcomes == {"won": 1, repr(NotFound()): 1}
