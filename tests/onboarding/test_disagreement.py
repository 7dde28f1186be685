"""Where members went apart: an example worked by hand, what must not change a figure, and what hides one."""

from __future__ import annotations

import random
import uuid
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from crewprep.analysis.musical_time import MusicalTime
from crewprep.onboarding.disagreement import LEAST_ITEMS, RELATIONS, Disagreement, TrackMarked, disagreement, relation
from crewprep.onboarding.figures import wilson

BEAT_US = 500_000
FUNCTIONS = {1: "mix-in", 4: "drop", 5: "breakdown", 6: "drop"}
ANNE, BEN, CORA = 11, 22, 33


@dataclass(frozen=True)
class Mark:
    slot: int
    start_us: int
    end_us: int | None = None


def steady(beats: int = 400) -> MusicalTime:
    """A grid of 120 BPM in 4/4 with phrases of 8 bars."""
    return MusicalTime(
        beats * BEAT_US, 4, tuple(step * BEAT_US for step in range(beats + 1)), tuple(range(0, beats, 4)),
        tuple(range(0, beats, 32)), 0, timed=False,
    )  # fmt: skip


def marked(track: int = 1, **members: dict[int, float]) -> TrackMarked:
    """A track from ``anne={slot: beat}``."""
    numbers = {"anne": ANNE, "ben": BEN, "cora": CORA}
    return TrackMarked(
        uuid.UUID(int=track), steady(),
        {numbers[name]: [Mark(slot, round(beat * BEAT_US)) for slot, beat in marks.items()]
         for name, marks in members.items()},
    )  # fmt: skip


def test_the_relation_of_two_places():
    time = steady()
    for first, second, wanted in (
        (64, 64.25, ("exact", 0.25, None)),
        (64, 64.5, ("bar", 0.5, None)),
        (64, 60, ("bar", 4, None)),
        (64, 96, ("phrase", 32, 1)),
        (128, 64.5, ("phrase", 63.5, 2)),
        (64, 72, ("elsewhere", 8, None)),
    ):
        assert relation(int(first * BEAT_US), int(second * BEAT_US), time) == wanted
        assert relation(int(second * BEAT_US), int(first * BEAT_US), time) == wanted
    assert relation(None, 0, time) == ("missing", None, None)
    assert relation(None, None, time) == ("both empty", None, None)


def test_an_example_worked_by_hand():
    # Two tracks, three members on the first and two on the second: 3 + 1 pairs a slot.
    found = disagreement(
        [
            marked(1, anne={1: 0, 4: 64, 5: 128}, ben={1: 0, 4: 96}, cora={1: 2, 4: 64.25, 5: 140}),
            marked(2, anne={4: 64, 5: 128}, ben={4: 32, 5: 128}),
        ],
        FUNCTIONS,
    )
    one, four, five, six = found.slots
    assert list(one.counts.values()) == [1, 2, 0, 0, 0, 1]
    assert list(four.counts.values()) == [1, 0, 3, 0, 0, 0]
    assert list(five.counts.values()) == [1, 0, 0, 1, 2, 0]
    assert list(six.counts.values()) == [0, 0, 0, 0, 0, 4]
    assert [share.trials for share in (one.share_apart, four.share_apart, five.share_apart, six.share_apart)] == [
        3, 4, 4, 0,
    ]  # fmt: skip
    assert four.share_apart.successes == five.share_apart.successes == 3
    # 3 of 4 has the lower end 0.3006 (Wilson 1927, at 95 %); of equals the lower number comes first.
    assert four.share_apart.interval.low == pytest.approx(0.3006, abs=1e-4)
    assert [slot.slot for slot in found.worst] == [4, 5]
    assert [(pair.first, pair.second, pair.phrases) for pair in four.apart][:2] == [(ANNE, BEN, 1), (ANNE, BEN, 1)]
    assert [pair.relation for pair in five.apart] == ["elsewhere", "missing", "missing"]
    # Places of the first track: 0 with 2 beyond a beat of it, 64, 96, 128, 140; of the second: 32, 64, 128.
    assert (found.alpha_functions.items, found.alpha_positions.items) == (9, 5)


def test_kappa_is_that_of_the_places_either_has_marked():
    tracks = [
        marked(number, anne={1: 0, 4: 64, 5: 128}, ben={1: 0.5, 4: 96 if number % 3 else 64, 5: 128.5})
        for number in range(1, 9)
    ]
    found = disagreement(tracks, FUNCTIONS)
    anne = (["mix-in", "drop", "nothing", "breakdown"] * 6) + ["mix-in", "drop", "breakdown"] * 2
    ben = (["mix-in", "nothing", "drop", "breakdown"] * 6) + ["mix-in", "drop", "breakdown"] * 2
    assert found.kappa.items == len(anne) == 30
    # Checked against scikit-learn's cohen_kappa_score.
    assert found.kappa.value == pytest.approx(cohen_kappa_score(anne, ben))


def test_two_slots_at_one_place_are_one_label():
    tracks = [marked(number, anne={4: 64, 6: 64, 5: 128}, ben={4: 64, 5: 128, 1: 0}) for number in range(1, 11)]
    assert disagreement(tracks, FUNCTIONS).kappa.items == 30, "first and strongest drop are one place of a drop"


def test_the_mean_of_kappa_is_over_the_pairs_with_items_enough():
    full = [marked(number, anne={1: 0, 4: 64}, ben={1: 0, 4: 64}) for number in range(1, 11)]
    few = [marked(99, anne={1: 0, 4: 64}, ben={1: 0, 4: 64}, cora={1: 40})]
    found = disagreement([*full, *few], FUNCTIONS)
    assert (found.kappa.value, found.kappa.items, found.kappa_pairs) == (1, 22, 1)


def test_no_coefficient_below_twenty_items():
    tracks = [marked(number, anne={1: 0, 4: 64}, ben={1: 0, 4: 64}) for number in range(1, 10)]
    found = disagreement(tracks, FUNCTIONS)
    for figure in (found.kappa, found.alpha_functions, found.alpha_positions, found.slots[0].alpha):
        assert figure.value is None
        assert not figure.enough
    assert (found.kappa.items, found.slots[0].alpha.items) == (18, 9)
    more = disagreement([*tracks, marked(10, anne={1: 0, 4: 64}, ben={1: 0, 4: 64})], FUNCTIONS)
    assert (more.kappa.items, more.kappa.value) == (LEAST_ITEMS, 1)


def test_nothing_handed_in_is_no_error():
    empty = disagreement([], FUNCTIONS)
    assert empty.worst == []
    assert empty.kappa.items == empty.alpha_positions.items == 0
    alone = disagreement([marked(1, anne={1: 0})], FUNCTIONS)
    assert sum(sum(slot.counts.values()) for slot in alone.slots) == 0
    with pytest.raises(KeyError):
        disagreement([marked(1, anne={9: 0}, ben={})], FUNCTIONS)


def test_the_rule_of_order_is_the_lower_end_of_the_interval():
    # One pair of one is worse by its share, and says less, than nine of twelve.
    tracks = [marked(1, anne={5: 0, 4: 0}, ben={5: 200, 4: 200})]
    tracks += [marked(number, anne={4: 0}, ben={4: 200 if number < 10 else 0}) for number in range(2, 13)]
    found = disagreement(tracks, FUNCTIONS)
    assert [slot.slot for slot in found.worst] == [4, 5]
    assert wilson(9, 12).low > wilson(1, 1).low


MARKS = st.dictionaries(st.sampled_from(list(FUNCTIONS)), st.integers(0, 390 * 4).map(lambda step: step / 4))
TRACKS = st.lists(st.fixed_dictionaries({"anne": MARKS, "ben": MARKS, "cora": MARKS}), min_size=1, max_size=12)


def figures(found: Disagreement) -> list[object]:
    """All that must stay, with the coefficients to within rounding."""
    told = [found.kappa, found.alpha_functions, found.alpha_positions, *(slot.alpha for slot in found.slots)]
    return [
        *(slot.counts for slot in found.slots),
        [slot.slot for slot in found.worst],
        *((one.items, None if one.value is None else pytest.approx(one.value, abs=1e-9)) for one in told),
    ]


@given(TRACKS, st.randoms(use_true_random=False))
def test_neither_order_nor_names_change_a_figure(tracks: list[dict[str, dict[int, float]]], chance: random.Random):
    before = disagreement([marked(number, **members) for number, members in enumerate(tracks)], FUNCTIONS)
    names = ["anne", "ben", "cora"]
    chance.shuffle(names)
    renamed = dict(zip(("anne", "ben", "cora"), names, strict=True))
    shuffled = [
        marked(number, **{renamed[name]: dict(reversed(marks.items())) for name, marks in members.items()})
        for number, members in enumerate(tracks)
    ]
    chance.shuffle(shuffled)
    assert figures(before) == figures(disagreement(shuffled, FUNCTIONS))
    for slot in before.slots:
        assert sum(slot.counts.values()) == 3 * len(tracks)
        assert set(slot.counts) == set(RELATIONS)
        assert 0 <= slot.share_apart.interval.low <= slot.share_apart.interval.high <= 1


@given(TRACKS)
def test_the_same_markers_agree_wholly(tracks: list[dict[str, dict[int, float]]]):
    same = [
        marked(number, anne=members["anne"], ben=members["anne"], cora=members["anne"])
        for number, members in enumerate(tracks)
    ]
    found = disagreement(same, FUNCTIONS)
    assert found.worst == []
    for figure in (found.kappa, found.alpha_functions, found.alpha_positions, *(slot.alpha for slot in found.slots)):
        assert figure.value is None or figure.value == pytest.approx(1)
    for slot in found.slots:
        assert slot.counts["exact"] + slot.counts["both empty"] == 3 * len(tracks)
