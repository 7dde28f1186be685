"""Labels of markers: written and read back."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from crewprep.analysis.musical_time import MusicalTime
from crewprep.exchange.labels import Label, label_for
from tests.factories.music import analysis_result

BEAT_US = 468_750  # 60 s / 128


@pytest.fixture(scope="module")
def time() -> MusicalTime:
    return MusicalTime.of(analysis_result(bpm=128.0, first_beat_us=250_000))


@pytest.mark.parametrize(
    ("beats", "label"),
    [(16, "08 Exit loop [16 beats]"), (1, "08 Exit loop [1 beat]"), (0.5, "08 Exit loop [0.5 beats]")],
)
def test_a_loop_on_the_grid_counts_beats(beats: float, label: str, time: MusicalTime) -> None:
    start = 250_000 + 32 * BEAT_US
    end = start + round(beats * BEAT_US)
    assert str(label_for(slot=8, name="Exit loop", start_us=start, end_us=end, time=time)) == label


def test_a_loop_off_the_grid_counts_seconds(time: MusicalTime) -> None:
    label = label_for(slot=8, name="Exit loop", start_us=0, end_us=7_742_000, time=time)
    assert str(label) == "08 Exit loop [7.742 s]"


def test_a_track_without_a_grid_counts_seconds() -> None:
    timed = MusicalTime.of(analysis_result(bars=0))
    assert timed.timed
    label = label_for(slot=8, name="Exit loop", start_us=0, end_us=1_000_000, time=timed)
    assert str(label) == "08 Exit loop [1.000 s]"


def test_a_point_has_no_length(time: MusicalTime) -> None:
    assert str(label_for(slot=4, name="Drop", start_us=0, end_us=None, time=time)) == "04 Drop"


@pytest.mark.parametrize("text", ["", "Drop", "4 Drop", "04Drop", "four Drop"])
def test_other_texts_are_no_labels(text: str) -> None:
    assert Label.parse(text) is None


@example(slot=1, name="Drop\n", length=None)
@given(
    slot=st.integers(1, 16),
    name=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="[]"), min_size=1, max_size=40),
    length=st.one_of(
        st.none(),
        st.integers(1, 1024).map(lambda quarters: ("beats", quarters / 4)),
        st.integers(1, 7_200_000).map(lambda ms: ("seconds", ms / 1000)),
    ),
)
def test_labels_come_back(slot: int, name: str, length: tuple[str, float] | None) -> None:
    label = Label(slot, name, **({length[0]: length[1]} if length else {}))
    assert Label.parse(str(label)) == label


def test_brackets_in_a_name_cannot_be_taken_for_a_length() -> None:
    label = Label(3, "Riff [16 beats]")
    assert str(label) == "03 Riff (16 beats)"
    assert Label.parse(str(label)) == Label(3, "Riff (16 beats)")
