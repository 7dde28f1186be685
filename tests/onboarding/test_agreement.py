"""Kappa and alpha against the examples that their authors worked, scikit-learn and the ``krippendorff`` package."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from math import isfinite

import krippendorff
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from crewprep.onboarding.agreement import Metric, cohen_kappa, krippendorff_alpha

Labels = tuple[list[str], list[str]]
Units = list[list[int | None]]
label = st.sampled_from(["mix-in", "drop", "outro", "riff"])
labels = st.lists(st.tuples(label, label), min_size=1, max_size=60).map(
    lambda pairs: ([one for one, _ in pairs], [other for _, other in pairs])
)
metrics: st.SearchStrategy[Metric] = st.sampled_from(["nominal", "interval"])


@st.composite
def units(draw: st.DrawFn) -> Units:
    """Values of two to five people, as many for each unit, some missing."""
    people = draw(st.integers(2, 5))
    value = st.none() | st.integers(-5, 5)
    return draw(st.lists(st.lists(value, min_size=people, max_size=people), min_size=1, max_size=20))


def their_alpha(given_units: Units, metric: Metric) -> float:
    values = np.array([[np.nan if value is None else value for value in unit] for unit in given_units], float).T
    return float(krippendorff.alpha(reliability_data=values, level_of_measurement=metric))


# Kappa


def labelled(table: Sequence[Sequence[int]]) -> tuple[list[int], list[int]]:
    """The labels of two people from the table of how often they gave which."""
    pairs = [(row, column) for row, counts in enumerate(table) for column, many in enumerate(counts)
             for _ in range(many)]  # fmt: skip
    return [row for row, _ in pairs], [column for _, column in pairs]


def test_cohens_own_example():
    """Cohen 1960, table 2.b, page 45: 200 cases, agreed 0.70, by chance 0.41, kappa 0.492 (that figure from memory)."""
    first, second = labelled([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
    assert cohen_kappa(first, second) == pytest.approx((0.70 - 0.41) / (1 - 0.41))
    assert round(cohen_kappa(first, second) or 0, 3) == 0.492


@given(labels)
def test_kappa_is_scikit_learns(both: Labels):
    ours = cohen_kappa(*both)
    if ours is None:
        assert len({*both[0], *both[1]}) == 1  # scikit-learn warns and says nan
    else:
        assert ours == pytest.approx(cohen_kappa_score(*both))


@given(labels, st.randoms(use_true_random=False))
def test_kappa_is_in_range_the_same_from_both_sides_and_in_any_order(both: Labels, random):
    kappa = cohen_kappa(*both)
    assert kappa is None or -1 <= kappa <= 1
    assert cohen_kappa(both[1], both[0]) == kappa
    pairs = list(zip(*both, strict=True))
    random.shuffle(pairs)
    assert cohen_kappa(*zip(*pairs, strict=True)) == kappa


@given(st.lists(label, min_size=2).filter(lambda one: len(set(one)) > 1))
def test_full_agreement_has_a_kappa_of_1(one: list[str]):
    assert cohen_kappa(one, one) == 1


def test_agreement_as_by_chance_has_a_kappa_of_0():
    assert cohen_kappa("aabb", "abab") == 0


def test_two_that_always_differ_have_a_kappa_of_minus_1():
    assert cohen_kappa("abab", "baba") == -1


def test_without_items_or_with_one_label_throughout_there_is_no_kappa():
    assert cohen_kappa([], []) is None
    assert cohen_kappa("aaa", "aaa") is None
    assert cohen_kappa("aaa", "bbb") == 0  # chance would not have agreed either


def test_labels_of_unequal_number_are_refused():
    with pytest.raises(ValueError, match="2 labels beside 3"):
        cohen_kappa("ab", "abc")


# Alpha

KRIPPENDORFF = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, None, None, None],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, None, 3],
    [None, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, None],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, None],
]
"""Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011, part C: four observers, twelve units."""
KRIPPENDORFF_UNITS: Units = [list(unit) for unit in zip(*KRIPPENDORFF, strict=True)]


@pytest.mark.parametrize(("metric", "alpha"), [("nominal", 0.743), ("interval", 0.849)])
def test_krippendorffs_own_example(metric: Metric, alpha: float):
    """The values are those of the article; the ``krippendorff`` package says the same of the data."""
    assert krippendorff_alpha(KRIPPENDORFF_UNITS, metric) == pytest.approx(alpha, abs=5e-4)
    assert their_alpha(KRIPPENDORFF_UNITS, metric) == pytest.approx(alpha, abs=5e-4)


@pytest.mark.parametrize(
    ("first", "second", "alpha"), [("0100000010", "1110010000", 0.095), ("aabbdcccedda", "babbbccceddd", 0.692)]
)
def test_krippendorffs_examples_of_two_observers(first: str, second: str, alpha: float):
    """The same article, parts A and B (from memory): two observers, two and five labels, nothing missing."""
    assert krippendorff_alpha([*zip(first, second, strict=True)], "nominal") == pytest.approx(alpha, abs=5e-4)


@given(units(), metrics)
def test_alpha_is_the_packages(many: Units, metric: Metric):
    ours = krippendorff_alpha(many, metric)
    if ours is not None:
        assert ours == pytest.approx(their_alpha(many, metric), abs=1e-9)


@given(units(), metrics, st.randoms(use_true_random=False))
def test_alpha_is_in_range_and_the_order_of_units_and_people_does_not_matter(many: Units, metric: Metric, random):
    alpha = krippendorff_alpha(many, metric)
    people = random.sample(range(len(many[0])), len(many[0]))
    mixed = [[unit[person] for person in people] for unit in random.sample(many, len(many))]
    if alpha is None:
        assert krippendorff_alpha(mixed, metric) is None
    else:
        assert alpha <= 1
        assert isfinite(alpha)
        assert krippendorff_alpha(mixed, metric) == pytest.approx(alpha)


@given(units(), st.integers(1, 9), st.integers(-9, 9))
def test_the_unit_and_the_zero_of_an_interval_do_not_matter(many: Units, times: int, more: int):
    other = [[None if value is None else value * times + more for value in unit] for unit in many]
    assert krippendorff_alpha(other, "interval") == pytest.approx(krippendorff_alpha(many, "interval"))


@given(st.lists(st.integers(-5, 5), min_size=2).filter(lambda one: len(set(one)) > 1), st.integers(2, 5), metrics)
def test_full_agreement_has_an_alpha_of_1(values: list[int], people: int, metric: Metric):
    assert krippendorff_alpha([[value] * people for value in values], metric) == 1


def test_full_agreement_of_fractions_has_an_alpha_of_1():
    """0.1 three times has a mean that is not 0.1."""
    assert krippendorff_alpha([[0.1] * 3, [0.7] * 3], "interval") == 1


@given(units(), metrics)
def test_what_only_one_person_gave_tells_nothing(many: Units, metric: Metric):
    alone: Units = [[1, *[None] * (len(many[0]) - 1)], [None] * len(many[0])]
    assert krippendorff_alpha([*many, *alone], metric) == krippendorff_alpha(many, metric)


@pytest.mark.parametrize("metric", ["nominal", "interval"])
@pytest.mark.parametrize("nothing", [[], [[]], [[1, None], [None, 2]], [[3, 3], [3, 3]]])
def test_without_two_values_that_differ_there_is_no_alpha(nothing: Units, metric: Metric):
    assert krippendorff_alpha(nothing, metric) is None


def test_labels_have_no_interval():
    drops: list[list[Hashable | None]] = [["drop", "drop"]]
    with pytest.raises(TypeError, match="'drop' is no number"):
        krippendorff_alpha(drops, "interval")
