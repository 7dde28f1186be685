"""Every miss by an example on a made-up grid, where each is named wrongly easily, and what holds for all."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.analysis.musical_time import MusicalTime
from crewprep.onboarding.scoring import MISSES, WITHIN, Marked, SlotScore, phrases_off, score

BEAT_US = 468_750
"""128 BPM; a quarter of it is no whole number of microseconds."""


@dataclass(frozen=True)
class At:
    slot: int
    start_us: int
    end_us: int | None = None


def grid(phrases: int | list[int] = 6, *, per_bar: int = 4, pick_up: int = 0, beat_us: int = BEAT_US) -> MusicalTime:
    """Phrases of so many bars each (a number: so many of eight), after a pick-up of so many beats."""
    bars = [8] * phrases if isinstance(phrases, int) else phrases
    beats = pick_up + per_bar * sum(bars)
    starts = [pick_up + per_bar * before for before in accumulate([0, *bars[:-1]])]
    return MusicalTime(
        beats * beat_us, per_bar, tuple(beat * beat_us for beat in range(beats + 1)),
        tuple(range(pick_up % per_bar, beats + 1, per_bar)), tuple(starts), 0, timed=False,
    )  # fmt: skip


GRID = grid()
NO_GRID = MusicalTime(600_000_000, 5, tuple(range(0, 601_000_000, 1_000_000)), tuple(range(0, 601, 5)),
                      tuple(range(0, 600, 15)), 0, timed=True)  # fmt: skip


def at(beat: float, slot: int = 1, *, bars: int | None = None, time: MusicalTime = GRID) -> At:
    start = time.time(beat)
    return At(slot, start, time.loop_end(start, bars) if bars else None)


def miss(there: float, placed: float, *others: float, time: MusicalTime = GRID) -> tuple[str, int | None]:
    """How a marker of slot 1 is judged, beside other slots of the sheet; and by how many phrases it is off."""
    sheet = [at(there, time=time), *(at(beat, slot, time=time) for slot, beat in enumerate(others, 2))]
    one = score(sheet, [at(placed, time=time)], time)[0]
    assert one.slot == 1
    return one.miss, one.phrases


@pytest.mark.parametrize(
    ("off", "said"),
    [
        (0, ("exact", None)),
        (0.25, ("exact", None)),
        (0.26, ("beat", None)),
        (1, ("beat", None)),
        (1.25, ("bar", None)),
        (1.7, ("bar", None)),
        (1.75, ("half bar", None)),
        (2, ("half bar", None)),
        (2.25, ("half bar", None)),
        (2.3, ("bar", None)),
        (3.5, ("bar", None)),
        (3.9, ("elsewhere", None)),  # a bar away, on the beat
        (4, ("elsewhere", None)),
        (5, ("elsewhere", None)),
        (16, ("elsewhere", None)),
        (30.9, ("elsewhere", None)),
        (31, ("phrase", 1)),
        (32, ("phrase", 1)),
        (33, ("phrase", 1)),
        (33.1, ("elsewhere", None)),
        (64.5, ("phrase", 2)),
    ],
)
def test_a_distance_is_named_alike_late_and_early(off: float, said: tuple[str, int | None]):
    assert miss(96, 96 + off) == said
    assert miss(96, 96 - off) == (said[0], said[1] and -said[1])


@pytest.mark.parametrize("bpm", [68, 90, 120, 124.03, 128, 140, 174, 190])
@pytest.mark.parametrize("there", [64, 64.25, 65.5, 66.75])
def test_markers_snapped_a_quarter_of_a_beat_away_are_exact_at_every_tempo(bpm: float, there: float):
    time = grid(beat_us=round(60e6 / bpm))
    assert miss(there, there + 0.25, time=time) == miss(there, there - 0.25, time=time) == ("exact", None)
    assert miss(there, there + 1, time=time) == miss(there, there - 1, time=time) == ("beat", None)


def test_the_distance_is_told_in_time_and_in_beats_positive_for_late():
    late, early = score([at(64), at(96, 2)], [at(66), at(92, 2)], GRID)
    assert (late.off_us, late.off_beats) == (2 * BEAT_US, 2)
    assert (early.off_us, early.off_beats) == (-4 * BEAT_US, -4)


def test_the_place_of_another_slot_is_named_before_a_phrase_with_how_far_it_is():
    """The build-up was marked as the drop; the drop is sixteen bars on."""
    sheet = [at(64, 2), at(128, 3)]
    one = score(sheet, [at(64.5, 3)], GRID)[1]
    assert (one.miss, one.other, one.phrases) == ("function", 2, -2)


def test_the_place_of_another_slot_may_be_no_phrase_away():
    assert miss(96, 106, 106) == ("function", None)


def test_of_two_other_slots_nearby_the_nearer_is_named():
    sheet = [at(0, 1), at(64, 2), at(64.75, 3)]
    assert score(sheet, [at(64.5, 1)], GRID)[0].other == 3


def test_its_own_place_goes_before_that_of_another_slot():
    assert miss(96, 96.75, 97) == ("beat", None)


def test_two_slots_in_each_others_place_are_both_named():
    sheet = [at(64, 2), at(96, 3)]
    scores = score(sheet, [at(96, 2), at(64, 3)], GRID)
    assert [(one.miss, one.other, one.phrases) for one in scores] == [("function", 3, 1), ("function", 2, -1)]


def test_what_the_sheet_has_and_the_member_has_not_is_missing():
    assert score([at(64)], [], GRID) == [SlotScore(1, "missing")]


def test_what_the_member_has_and_the_sheet_has_not_is_extra_with_the_slot_whose_place_it_takes():
    assert score([], [at(64)], GRID) == [SlotScore(1, "extra")]
    assert score([at(64)], [at(63, 2)], GRID) == [SlotScore(1, "missing"), SlotScore(2, "extra", other=1)]


def test_nothing_beside_nothing_has_no_scores():
    assert score([], [], GRID) == []


def test_a_slot_that_is_marked_twice_is_refused():
    with pytest.raises(ValueError, match="slot 1 is marked twice"):
        score([at(64)], [at(64), at(96)], GRID)


def test_a_loop_is_judged_by_its_start_and_its_length_told():
    one = score([at(64, bars=4)], [at(65, bars=8)], GRID)[0]
    assert (one.miss, one.length_off_beats) == ("beat", 16)
    assert score([at(64, bars=4)], [at(64, bars=2)], GRID)[0].length_off_beats == -8
    assert score([at(64, bars=4)], [at(64)], GRID)[0].length_off_beats is None


def test_a_bar_of_three_has_no_half():
    time = grid(per_bar=3)
    assert [miss(48, 48 + off, time=time)[0] for off in (1, 1.5, 2, 2.7, 3, 4)] == [
        "beat", "bar", "bar", "bar", "elsewhere", "elsewhere",
    ]  # fmt: skip
    assert miss(48, 72, time=time) == ("phrase", 1)
    assert miss(48, 80, time=time) == ("elsewhere", None)  # eight bars of four are none of three


def test_a_bar_of_six_has_a_half():
    time = grid(per_bar=6)
    assert miss(96, 99, time=time) == ("half bar", None)
    assert miss(96, 98, time=time) == ("bar", None)


def test_a_pick_up_is_no_phrase_of_its_own_length():
    """Five beats before the first line: a bar before that line is a bar, not a phrase."""
    time = grid(pick_up=5)
    assert miss(5, 1, time=time) == miss(5, 0, time=time) == ("elsewhere", None)
    assert miss(1, 5, time=time) == ("elsewhere", None)
    assert miss(5, 3, time=time) == ("half bar", None)


def test_from_a_pick_up_it_is_a_phrase_to_the_same_beat_before_the_next_line():
    time = grid(pick_up=5)
    assert miss(1, 33, time=time) == ("phrase", 1)
    assert miss(33, 1, time=time) == ("phrase", -1)
    assert miss(65, 1, time=time) == ("phrase", -2)


def test_phrases_are_the_tracks_own():
    """Sixteen bars, then four, then eight: lines at 0, 64, 80, 112 and 144."""
    time = grid([16, 4, 8, 8, 8])
    assert miss(64, 80, time=time) == ("phrase", 1)
    assert miss(80, 64, time=time) == ("phrase", -1)
    assert miss(64, 0, time=time) == ("phrase", -1)
    assert miss(80, 0, time=time) == ("phrase", -2)
    assert miss(112, 144, time=time) == ("phrase", 1)


def test_beside_odd_phrases_eight_bars_count_too():
    time = grid([16, 4, 8, 8, 8])
    assert miss(64, 32, time=time) == ("phrase", -1)
    assert miss(112, 48, time=time) == ("phrase", -2)
    assert miss(64, 88, time=time) == ("elsewhere", None)


@pytest.mark.parametrize("hair", [-0.9, -0.1, 0.1, 0.9])
def test_a_phrase_is_told_on_both_sides_of_a_line(hair: float):
    time = grid([16, 4, 8, 8, 8])
    assert miss(64, 80 + hair, time=time) == ("phrase", 1)
    assert miss(80, 64 + hair, time=time) == ("phrase", -1)


def test_a_sheets_marker_a_hair_before_a_line_is_meant_for_that_line():
    time = grid([16, 4, 8, 8, 8])
    assert miss(63.98, 80, time=time) == ("phrase", 1)
    assert miss(79.98, 64, time=time) == ("phrase", -1)


def test_a_phrase_too_short_to_hold_the_place_is_passed_over():
    """The sixth bar of a phrase has none to answer it in a phrase of four bars."""
    time = grid([8, 4, 8, 8])
    assert miss(20, 52, time=time) == ("phrase", 1)  # eight bars on
    assert miss(20, 68, time=time) == ("phrase", 2)  # the sixth bar of the third


def test_a_phrase_shorter_than_a_bar_is_not_said():
    """A grid put right by hand may leave two beats between two lines."""
    time = MusicalTime(
        100 * BEAT_US, 4, tuple(beat * BEAT_US for beat in range(101)), (0, 32, 34), (0, 32, 34), 0, False
    )
    assert miss(34, 32, time=time) == ("half bar", None)


def test_without_a_grid_there_are_neither_bars_nor_phrases():
    """Seconds stand for beats; fifteen of them make a row of the page, not music."""
    said = [miss(120, 120 + off, time=NO_GRID)[0] for off in (0.25, 1, 2.5, 4, 5, 15, 40)]
    assert said == ["exact", "beat", *["elsewhere"] * 5]
    assert miss(120, 90.5, 90, time=NO_GRID) == ("function", None)
    assert phrases_off(135, 120, NO_GRID) is None


def test_what_is_within_what():
    def within(off: float, per_bar: int = 4) -> list[bool]:
        one = score([at(96)], [at(96 + off)], GRID)[0]
        return [one.within(limit, per_bar) for limit in WITHIN]

    assert within(0.25) == [True, True, True, True]
    assert within(-1) == [False, True, True, True]
    assert within(4) == [False, False, True, True]
    assert within(4, 3) == [False, False, False, True]
    assert within(-32) == [False, False, False, True]
    assert within(32, 3) == within(32.5) == [False, False, False, False]
    assert not SlotScore(1, "missing").within("phrase")


# What holds for every sheet.

grids = st.builds(
    grid, st.lists(st.integers(1, 16), min_size=1, max_size=6), per_bar=st.integers(2, 7), pick_up=st.integers(0, 40),
    beat_us=st.integers(300_000, 1_000_000),
)  # fmt: skip
times = st.one_of(grids, st.just(NO_GRID))


@st.composite
def markers(draw: st.DrawFn, time: MusicalTime) -> list[Marked]:
    slots = draw(st.lists(st.integers(1, 16), unique=True, max_size=8))
    starts = [draw(st.integers(0, time.duration_us)) for _ in slots]
    ends = [draw(st.none() | st.integers(start + 1, start + 20_000_000)) for start in starts]
    return [At(*one) for one in zip(slots, starts, ends, strict=True)]


@st.composite
def marked_tracks(draw: st.DrawFn) -> tuple[list[Marked], list[Marked], MusicalTime]:
    time = draw(times)
    return draw(markers(time)), draw(markers(time)), time


@given(marked_tracks())
def test_every_slot_of_either_is_scored_once_and_each_miss_is_what_it_says(
    track: tuple[list[Marked], list[Marked], MusicalTime],
):
    truth, placed, time = track
    right, theirs = {one.slot for one in truth}, {one.slot for one in placed}
    scores = score(truth, placed, time)
    assert [one.slot for one in scores] == sorted(right | theirs)
    for one in scores:
        assert one.miss in MISSES
        assert (one.miss == "missing") == (one.slot not in theirs)
        assert (one.miss == "extra") == (one.slot not in right)
        assert (one.off_beats is None) == (one.off_us is None) == (one.miss in {"missing", "extra"})
        assert one.other is None or (one.miss in {"function", "extra"} and one.other in right - {one.slot})
        assert one.miss != "function" or one.other
        assert one.miss != "phrase" or one.phrases
        within = [one.within(limit, time.beats_per_bar) for limit in WITHIN]
        assert within == sorted(within)
        assert within[0] == (one.miss == "exact")
        assert within[1] == (one.miss in {"exact", "beat"})


@given(times.flatmap(lambda time: st.tuples(markers(time), st.just(time))))
def test_the_sheet_itself_is_exact(track: tuple[list[Marked], MusicalTime]):
    sheet, time = track
    for one in score(sheet, sheet, time):
        assert (one.miss, one.off_us, one.off_beats, one.length_off_beats or 0) == ("exact", 0, 0, 0)


@given(marked_tracks(), st.randoms(use_true_random=False))
def test_the_order_of_the_markers_does_not_matter(track, random):
    truth, placed, time = track
    once = score(truth, placed, time)
    random.shuffle(truth)
    random.shuffle(placed)
    assert score(truth, placed, time) == once


@given(st.integers(2, 7), st.integers(0, 4 * 96), st.integers(0, 4 * 96))
def test_early_and_late_mirror_each_other(per_bar: int, there: int, placed: int):
    """Where phrases are of equal length: what is taken for the sheet's changes the sign and nothing else."""
    time = grid(24, per_bar=per_bar)
    one = score([at(there / 4, time=time)], [at(placed / 4, time=time)], time)[0]
    other = score([at(placed / 4, time=time)], [at(there / 4, time=time)], time)[0]
    assert one.miss == other.miss
    assert (one.off_us, one.off_beats) == (-(other.off_us or 0), -(other.off_beats or 0))
    assert one.phrases == (other.phrases and -other.phrases)
