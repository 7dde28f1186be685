"""Sections from hand-made bars: roles follow the definitions in ``sections``, and no drop comes without a contrast."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis_worker.core.changes import (
    ELSEWHERE,
    HALF_PHRASE,
    ON_PHRASE,
    feature_matrix,
    novelty,
    phrase_kinds,
    section_lines,
)
from analysis_worker.core.drops import compare_drops
from analysis_worker.core.features import MEL_BANDS, BarFeatures
from analysis_worker.core.sections import Span, find_sections

FULL = {"level": -9.0, "low": -12.0, "bass": -15.0, "mid": -17.0, "high": -32.0, "kick": 1.0, "onsets": 3.5}
KICK_ONLY = {"level": -13.0, "low": -15.0, "bass": -26.0, "mid": -22.0, "high": -38.0, "kick": 0.9, "onsets": 3.0}
BARE = {"level": -16.0, "low": -42.0, "bass": -42.0, "mid": -21.0, "high": -46.0, "kick": 0.0, "onsets": 0.3}
THIN = {"level": -12.0, "low": -13.5, "bass": -17.0, "mid": -22.0, "high": -36.0, "kick": 0.95, "onsets": 3.0}
CLIMB = {"level": -15.0, "low": -40.0, "bass": -42.0, "mid": -23.0, "high": -36.0, "kick": 0.0, "onsets": 1.0}


def bars_of(*parts: tuple[dict[str, float], int], climb: bool = True, seed: int = 0) -> BarFeatures:
    """Bars of two seconds: each part so many bars long, with small seeded unevenness; ``CLIMB`` rises by 7 dB."""
    columns: dict[str, list[float]] = {name: [] for name in FULL}
    for part, count in parts:
        for bar in range(count):
            rise = 7.0 * bar / max(1, count - 1) if part is CLIMB and climb else 0.0
            for name, value in part.items():
                extra = (
                    rise if name == "level" else 1.5 * rise if name == "high" else rise / 4 if name == "onsets" else 0
                )
                columns[name].append(value + extra)
    rng = np.random.default_rng(seed)
    values = {name: np.array(column) + 0.05 * rng.standard_normal(len(column)) for name, column in columns.items()}
    count = len(values["level"])
    mel = np.linspace(values["low"], values["high"], MEL_BANDS, axis=1)
    return BarFeatures(
        edges_s=np.linspace(0.0, 2.0 * count, count + 1),
        level_db=values["level"],
        low_db=values["low"],
        bass_db=values["bass"],
        mid_db=values["mid"],
        high_db=values["high"],
        kick=np.maximum(values["kick"], 0),
        onsets=np.maximum(values["onsets"], 0),
        roll=np.maximum(values["onsets"], 0) / 2,
        centroid=np.log2(2_000) + (values["high"] - values["low"]) / 20,
        tail_db=np.zeros(count),
        mel_db=mel,
        tone_db=values["mid"] - 6,
        air_db=values["high"] - 6,
        rest_db=mel - 6,
    )


def named(bars: BarFeatures, phrases: np.ndarray | None = None) -> tuple[Span, ...]:
    """The sections, with odds by how much the bars change instead of those from the recording."""
    odds = 10.0 * novelty(feature_matrix(bars)) - 4.0
    return find_sections(bars, np.arange(0, len(bars), 8) if phrases is None else phrases, odds)


def roles(bars: BarFeatures, phrases: np.ndarray | None = None) -> list[tuple[int, str]]:
    spans = named(bars, phrases)
    return [(span.start, span.role) for span in spans]


def club_track() -> BarFeatures:
    return bars_of((KICK_ONLY, 16), (BARE, 16), (CLIMB, 8), (FULL, 32), (BARE, 8), (CLIMB, 8), (FULL, 32), (THIN, 16))


def test_names_the_sections_of_a_track_with_two_drops():
    assert roles(club_track()) == [
        (0, "intro"),
        (16, "breakdown"),
        (32, "build-up"),
        (40, "drop"),
        (72, "breakdown"),
        (80, "build-up"),
        (88, "drop"),
        (120, "outro"),
    ]


def test_sections_cover_all_bars_and_say_why():
    bars = club_track()
    spans = named(bars)
    assert spans[0].start == 0
    assert spans[-1].end == len(bars)
    assert all(one.end == two.start for one, two in pairwise(spans))
    assert all(0 < span.confidence < 1 for span in spans)
    drop = next(span for span in spans if span.role == "drop")
    # 40 bars in: low end from −40 to −12 dB after 24 bars without.
    assert drop.reason.startswith("low end returns with +28 dB after 24 bars without")
    assert "8 bars before the drop" in next(span for span in spans if span.role == "build-up").reason


def test_a_stretch_without_a_climb_is_all_breakdown():
    found = roles(bars_of((KICK_ONLY, 16), (BARE, 16), (FULL, 32), (THIN, 16)))
    assert found == [(0, "intro"), (16, "breakdown"), (32, "drop"), (64, "outro")]


def test_a_groove_from_start_to_end_has_no_drop():
    found = roles(bars_of((FULL, 64)))
    assert {role for _, role in found} == {"bridge"}


def test_the_first_entry_of_the_beat_is_no_drop():
    found = roles(bars_of((BARE, 16), (FULL, 48), (THIN, 16)))
    assert "drop" not in {role for _, role in found}
    assert found[0] == (0, "intro")
    assert found[-1] == (64, "outro")


def test_an_opening_climb_may_lead_into_a_drop():
    found = roles(bars_of((BARE, 16), (CLIMB, 8), (FULL, 32), (THIN, 16)))
    assert (24, "drop") in found
    assert (16, "build-up") in found


def test_a_rest_of_two_bars_is_no_breakdown():
    found = roles(bars_of((FULL, 32), (BARE, 2), (FULL, 30), (THIN, 16)))
    assert not {"drop", "breakdown"} & {role for _, role in found}


def test_a_return_that_does_not_last_is_no_drop():
    found = roles(bars_of((KICK_ONLY, 16), (BARE, 16), (FULL, 4), (BARE, 16), (FULL, 32)))
    assert [start for start, role in found if role == "drop"] == [52]


def test_a_return_without_more_low_end_or_level_is_no_drop():
    away = {**FULL, "kick": 0.0, "low": -16.5, "bass": -19.0, "level": -9.5}
    found = roles(bars_of((FULL, 32), (away, 16), (FULL, 32)))
    assert "drop" not in {role for _, role in found}


@pytest.mark.parametrize("seed", range(12))
def test_every_drop_has_a_contrast_before_it(seed):
    rng = np.random.default_rng(seed)
    kinds = [FULL, KICK_ONLY, BARE, THIN, CLIMB]
    parts = [(kinds[int(rng.integers(5))], int(rng.choice([2, 4, 8, 12, 16, 31]))) for _ in range(12)]
    bars = bars_of(*parts, seed=seed)
    spans = named(bars)
    assert sum(span.bars for span in spans) == len(bars)
    for before, span in pairwise(spans):
        assert before.end == span.start
        if span.role == "drop":
            assert before.role in ("breakdown", "build-up", "intro")
            four = slice(span.start - 4, span.start), slice(span.start, span.start + 4)
            louder = bars.level_db[four[1]].mean() - bars.level_db[four[0]].mean()
            lower = bars.low_db[four[1]].mean() - bars.low_db[four[0]].mean()
            assert louder >= 2.0 or lower >= 6.0
            assert span.start >= 4
        if before.role == "build-up":
            assert span.role == "drop"
    assert spans[0].role != "drop"


def test_empty_and_silent_tracks_have_no_sections():
    assert find_sections(bars_of(), np.zeros(0, dtype=np.int64), np.zeros(0)) == ()
    silent = bars_of(({name: -120.0 if name not in ("kick", "onsets") else 0.0 for name in FULL}, 16))
    assert find_sections(silent, np.zeros(0, dtype=np.int64), np.zeros(16)) == ()


def test_the_louder_drop_is_the_stronger():
    louder = {**FULL, "level": FULL["level"] + 2, "low": FULL["low"] + 2}
    bars = bars_of((KICK_ONLY, 16), (BARE, 16), (FULL, 32), (BARE, 16), (louder, 32), (THIN, 16))
    power = np.repeat(10 ** ((bars.level_db + 0.691) / 10), 200)
    spans = named(bars)
    first, second = compare_drops(spans, bars, power)
    assert second.strength > 0.6 > 0.4 > first.strength
    # The power curve was made from these levels: −9 and −7 LUFS.
    assert (first.loudness_lufs, second.loudness_lufs) == pytest.approx((-9.0, -7.0), abs=0.1)
    assert compare_drops([span for span in spans if span.role != "drop"], bars, power) == ()


def test_drops_that_do_not_differ_have_the_same_strength():
    bars = bars_of((KICK_ONLY, 16), (BARE, 16), (FULL, 32), (BARE, 16), (FULL, 32), (THIN, 16))
    power = np.repeat(10 ** ((bars.level_db + 0.691) / 10), 200)
    strengths = [drop.strength for drop in compare_drops(named(bars), bars, power)]
    assert strengths == pytest.approx([0.5, 0.5], abs=0.05)


def test_phrase_lines_come_every_eight_bars_and_may_slip():
    kinds = phrase_kinds(24, np.array([0, 8, 12]))
    assert np.flatnonzero(kinds == ON_PHRASE).tolist() == [0, 8, 12, 20]
    assert np.flatnonzero(kinds == HALF_PHRASE).tolist() == [4, 16]
    assert phrase_kinds(8, np.zeros(0, dtype=np.int64)).tolist() == [HALF_PHRASE, *[ELSEWHERE] * 3] * 2


def test_novelty_is_highest_at_a_step_and_none_where_there_is_too_little():
    step = np.concatenate([np.zeros((16, 6)), np.full((16, 6), 4.0)])
    assert int(np.argmax(novelty(step))) == 16
    assert novelty(np.zeros((2, 6))).tolist() == [0, 0]


def test_section_lines_are_the_best_odds_around_and_good_ones():
    odds = np.full(32, -4.0)
    odds[[8, 9, 16, 20, 24]] = 3.0, 2.0, 0.9, 1.1, -0.5
    assert section_lines(odds) == [0, 8, 20]
    assert section_lines(np.zeros(0)) == []


def test_a_groove_is_divided_where_the_odds_of_a_section_are_good():
    bars = bars_of((FULL, 64))
    odds = np.full(64, -4.0)
    odds[[12, 24, 30]] = 3.0
    found = find_sections(bars, np.arange(0, 64, 8), odds)
    assert [(span.start, span.role) for span in found] == [
        (0, "bridge"),
        (12, "bridge"),
        (24, "bridge"),
        (30, "bridge"),
    ]
