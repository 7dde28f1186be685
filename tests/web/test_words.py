"""Numbers, moves and happenings as people say them; expected words worked out by hand from the tempo."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from analysis_worker.core.convention import COLOURS, SHAPES
from crewprep.analysis.musical_time import MusicalTime
from crewprep.sheets.markers import compare
from crewprep.sheets.models import SheetMarker
from crewprep.web.slots import PATHS, badge
from crewprep.web.words import (
    ago,
    change_words,
    count_of,
    crate_progress,
    distance_words,
    duration,
    key_words,
    length_words,
    level,
    tempo,
)  # fmt: skip
from tests import factories

BEAT_US = 500_000  # 120 BPM
GRID = MusicalTime.of(factories.analysis_result(bars=32, bpm=120.0, first_beat_us=0))
NO_GRID = MusicalTime(60_000_000, 5, tuple(range(0, 61_000_000, 1_000_000)), (0,), (0,), 0, timed=True)


@pytest.mark.parametrize(
    ("apart_us", "words"),
    [
        (0, ""),
        (16 * BEAT_US, "4 bars later"),
        (-4 * BEAT_US, "1 bar earlier"),
        (BEAT_US, "1 beat later"),
        (6 * BEAT_US, "1 bar and 2 beats later"),
        (-7 * BEAT_US, "1 bar and 3 beats earlier"),
        (750_000, "1.50 beats later"),
        (12_000, "12 ms later"),
        (-400, "less than a millisecond earlier"),
        (4 * BEAT_US + 9_000, "1 bar later"),  # within 2 % of a beat it is told as the bar
        (4 * BEAT_US + 11_000, "4.02 beats later"),
    ],
)
def test_distances_on_the_grid(apart_us: int, words: str) -> None:
    assert distance_words(GRID, 20 * BEAT_US, 20 * BEAT_US + apart_us) == words


def test_distances_without_a_grid_are_seconds() -> None:
    assert distance_words(NO_GRID, 1_000_000, 3_500_000) == "2.500 s later"
    assert distance_words(NO_GRID, 1_000_000, 960_000) == "40 ms earlier"


def marker(slot: int, start: float, end: float | None = None) -> SheetMarker:
    return SheetMarker(slot=slot, start_us=round(start * BEAT_US), end_us=None if end is None else round(end * BEAT_US))


def test_lengths() -> None:
    assert length_words(GRID, marker(1, 4)) == ""
    assert length_words(GRID, marker(1, 4, 20)) == "4 bars"
    assert length_words(GRID, marker(1, 4, 7)) == "3 beats"
    assert length_words(GRID, marker(1, 4, 4.5)) == "0.50 beats"
    assert length_words(NO_GRID, marker(1, 4, 7)) == "1.500 s"


def test_changes() -> None:
    old = [marker(1, 4), marker(2, 8), marker(3, 12, 16), marker(4, 20)]
    new = [marker(1, 4), marker(2, 24), marker(3, 12, 20), marker(5, 30)]
    said = {change.slot: change_words(GRID, change) for change in compare(old, new)}
    named = marker(1, 4)
    named.label = "bells"
    relabelled = change_words(GRID, compare([marker(1, 4)], [named])[0])
    assert (relabelled, compare([named], [named])[0].kind) == ("label “bells”", "kept")
    assert change_words(GRID, compare([named], [marker(1, 8)])[0]) == "moved 1 bar later, label “bells” taken away"
    assert said == {1: "kept", 2: "moved 4 bars later", 3: "length 2 bars instead of 1 bar", 4: "dropped", 5: "added"}


def test_figures() -> None:
    assert (count_of(1, "track"), count_of(3, "track"), count_of(2, "copy", "copies")) == (
        "1 track", "3 tracks", "2 copies",
    )  # fmt: skip
    assert (duration(225_000_000), duration(3_725_000_000), duration(None)) == ("3:45", "1:02:05", "")
    assert (tempo(128.0), tempo(100.5), tempo(174.018)) == ("128", "100.5", "174.02")
    assert level(-9.54) == "−9.5"
    assert (key_words("F# minor"), key_words("Bb major"), key_words("A minor")) == (
        "F sharp minor", "B flat major", "A minor",
    )  # fmt: skip
    assert ago(timezone.now()) == "just now"
    assert ago(timezone.now() - dt.timedelta(hours=2)) == "2\xa0hours ago"


def test_progress_of_a_crate() -> None:
    assert [crate_progress(0, 0), crate_progress(3, 0), crate_progress(3, 2), crate_progress(3, 3)] == [
        "Empty so far", "No sheet approved yet", "2 of 3 sheets approved", "Every track has its sheet",
    ]  # fmt: skip


class Look:
    def __init__(self, number: int, colour: str, shape: str) -> None:
        self.number, self.colour, self.shape = number, colour, shape


def test_every_shape_is_drawn_differently_and_inside_its_square() -> None:
    assert set(PATHS) == set(SHAPES)
    assert len(set(PATHS.values())) == len(SHAPES)
    pairs = zip(COLOURS, SHAPES, strict=True)
    looks = [badge(Look(number, colour, shape)) for number, (colour, shape) in enumerate(pairs, 1)]
    assert len({look.colour_class for look in looks}) == len(COLOURS)
    assert badge(Look(1, "no such colour", "no such shape")).path == PATHS["circle"]


def test_every_colour_has_its_rule_in_the_style_sheet(settings) -> None:
    styles = (settings.BASE_DIR / "crewprep/static/crewprep/css/components.css").read_text()
    tokens = (settings.BASE_DIR / "crewprep/static/crewprep/css/tokens.css").read_text()
    for colour in COLOURS:
        name = colour.replace(" ", "-")
        assert f".slot--{name} .slot__shape" in styles
        assert f"--slot-{name}: #" in tokens
