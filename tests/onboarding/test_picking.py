"""Which track comes next: the order of reasons, and never one that is known already."""

from __future__ import annotations

import random
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.onboarding.candidates import slipped
from crewprep.onboarding.picking import HARD, Candidate, Meaning, Need, Traits, allowed_hard, ranked, tempo_range
from tests.bench.picking_bench import SHARES, drills_to_mastery, weak_slot

DROP, RIFF, OUTRO = ("drop", "first"), ("riff", "first"), ("outro", "last")
NOTHING = Need((), frozenset(), {}, 0)

meanings = st.sampled_from([DROP, RIFF, OUTRO, ("mix-in", "first")])
traits = st.builds(
    Traits, st.none() | st.floats(60, 200), st.frozensets(st.sampled_from(HARD)), st.sampled_from([0, 3, 4])
)
candidates = st.lists(
    st.builds(Candidate, st.uuids(), st.frozensets(meanings, min_size=1), traits),
    unique_by=lambda one: one.sheet_id, min_size=1, max_size=12,
)  # fmt: skip
needs = st.builds(
    Need, st.lists(meanings, unique=True), st.frozensets(meanings),
    st.dictionaries(st.sampled_from([tempo_range(128), tempo_range(90), *HARD]), st.integers(0, 9)), st.integers(0, 3),
)  # fmt: skip


def track(number: int, *slots: Meaning, bpm: float = 128, hard: tuple[str, ...] = ()) -> Candidate:
    return Candidate(UUID(int=number), frozenset(slots), Traits(bpm, frozenset(hard), 4))


def best(need: Need, *tracks: Candidate) -> int:
    return ranked(tracks, need, seed=0)[0].sheet_id.int


def test_the_most_overdue_slot_comes_first() -> None:
    need = Need((RIFF, DROP), frozenset({RIFF, DROP}), {}, 0)
    assert best(need, track(1, DROP, OUTRO), track(2, RIFF), track(3, RIFF, DROP)) == 3
    assert best(need, track(1, DROP, OUTRO), track(2, RIFF)) == 2


def test_then_slots_that_were_never_met() -> None:
    assert best(Need((), frozenset({DROP}), {}, 0), track(1, DROP), track(2, DROP, RIFF, OUTRO), track(3, RIFF)) == 2


def test_then_what_was_met_least_often() -> None:
    need = Need((), frozenset({DROP}), {tempo_range(128): 3, tempo_range(174): 1, "4 beats a bar": 4}, 0)
    assert best(need, track(1, DROP), track(2, DROP, bpm=174), track(3, DROP, bpm=90)) == 3


def test_hard_ones_come_later() -> None:
    need = Need((DROP,), frozenset({DROP}), {}, 0)
    easy, hard = track(1, RIFF), track(2, DROP, hard=("soft first drop",))
    assert best(need, easy, hard) == 1
    assert best(Need(need.due, need.met, {}, 1), easy, hard) == 2
    assert best(need, hard, track(3, DROP, hard=HARD)) == 2


@pytest.mark.parametrize(
    ("handed_in", "share", "allowed"),
    [(0, None, 0), (2, 1.0, 0), (3, 0.49, 0), (3, 0.5, 1), (5, 1.0, 1), (6, 0.69, 1), (6, 0.7, 2), (9, 0.8, 3),
     (90, 1.0, 3)],
)  # fmt: skip
def test_how_hard_it_may_be_rises_with_practice_and_skill(handed_in: int, share: float | None, allowed: int) -> None:
    assert allowed_hard(handed_in, share) == allowed


@pytest.mark.parametrize(
    ("bpm", "words"),
    [
        (None, "no tempo"), (99.9, "under 100 BPM"), (100, "100 to 120 BPM"), (120, "120 to 135 BPM"),
        (135, "135 to 160 BPM"), (160, "160 BPM and above"),
    ],
)  # fmt: skip
def test_tempo_ranges(bpm: float | None, words: str) -> None:
    assert tempo_range(bpm) == words


@given(candidates, needs, st.integers(0, 2**32), st.randoms())
def test_the_order_of_the_candidates_does_not_matter(
    found: list[Candidate], need: Need, seed: int, chance: random.Random
) -> None:
    shuffled = sorted(found, key=lambda _: chance.random())
    assert ranked(shuffled, need, seed) == ranked(found, need, seed)


@given(candidates, needs, st.integers(0, 2**32))
def test_every_candidate_is_ranked_once(found: list[Candidate], need: Need, seed: int) -> None:
    order = ranked(found, need, seed)
    assert sorted(one.sheet_id for one in order) == sorted(one.sheet_id for one in found)


@given(candidates, needs, st.integers(0, 2**32))
def test_nothing_is_harder_than_need_be(found: list[Candidate], need: Need, seed: int) -> None:
    hardest = len(ranked(found, need, seed)[0].traits.hard)
    assert hardest <= max(need.allowed, min(len(one.traits.hard) for one in found))


def test_the_seed_decides_between_equals() -> None:
    equals = [track(number, DROP) for number in range(8)]
    assert len({ranked(equals, NOTHING, seed)[0].sheet_id for seed in range(40)}) > 3


BAR = 2_000_000


@pytest.mark.parametrize(
    ("starts", "confidence", "found"),
    [((0, 8, 16, 24), 0.9, False), ((0, 8, 18, 26), 0.9, True), ((0, 8, 16), 0.4, True), ((0,), 0.9, False)],
)
def test_a_phrase_slips_where_it_is_unsure_or_has_not_eight_bars(
    starts: tuple[int, ...], confidence: float, found: bool
) -> None:
    downbeats = [BAR * bar for bar in range(40)]
    assert slipped([BAR * bar for bar in starts], downbeats, confidence) == found


def test_the_picker_brings_a_weak_slot_to_mastery_in_fewer_drills() -> None:
    """A fast run of what ``python -m tests.bench --part practice`` prints of a thousand newcomers."""
    table = weak_slot(newcomers=30)
    assert [row[0] for row in table.rows] == list(SHARES)
    gains = [float(picked) / float(at_random) for _, picked, _, _, at_random, _, _ in table.rows]
    assert max(gains) < 1
    assert gains[1] < 0.75
    assert gains[2] < 0.6


def test_the_simulation_is_reproducible() -> None:
    assert drills_to_mastery(0.5, 7, picked=True) == drills_to_mastery(0.5, 7, picked=True)
