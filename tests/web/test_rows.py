"""Phrase rows as plain layout: every time has one place and one address, whatever the track is like."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis_worker.core.results import Contour, Section, TempoSegment, TrackAnalysis
from crewprep.analysis.musical_time import MusicalTime, clock, parse_clock
from crewprep.web.rows import COLUMNS, Page, RowMarker, Stanza, lay_out
from crewprep.web.rows_drawing import number
from tests.factories import analysis_result

HALF_SECOND = 500_000


def track(
    *, beats: int = 128, per_bar: int = 4, phrase_bars: int = 8, first_us: int = 0, pick_up: int = 0, tail_us: int = 0
) -> TrackAnalysis:
    """Facts at 120 BPM (a beat is half a second), with ``pick_up`` beats before the first bar line."""
    times = tuple(first_us + index * HALF_SECOND for index in range(beats + 1))
    return replace(
        analysis_result(bars=8),
        duration_us=times[-1] + tail_us,
        tempo_bpm=120.0,
        tempo_segments=(TempoSegment(0, 120.0),),
        beats_per_bar=per_bar,
        beats_us=times,
        downbeats_us=times[pick_up::per_bar],
        phrases_us=times[pick_up :: per_bar * phrase_bars],
        sections=(),
        contour=Contour(4, (100,) * beats * 4, (200,) * beats * 4),
    )


def rows_of(page: Page):
    return [row for stanza in page.stanzas for row in stanza.rows]


def section(result: TrackAnalysis, start_beat: int, end_beat: int, role: str) -> Section:
    return Section(result.beats_us[start_beat], result.beats_us[end_beat], role, 0.9, 0.5, "")  # type: ignore[arg-type]  # a role as text


def test_a_phrase_is_a_row_of_two_strips_of_four_bars():
    page = lay_out(track(beats=128))
    rows = rows_of(page)
    assert [row.label for row in rows] == ["1", "2", "3", "4"]
    assert [row.clock for row in rows] == ["0:00", "0:16", "0:32", "0:48"]
    assert [[strip.column for strip in row.strips] for row in rows] == [[1, 2]] * 4
    assert all(strip.beats == 16 for strip in page.strips)


@pytest.mark.parametrize(
    ("beat", "address"), [(0, "1.1.1"), (3, "1.1.4"), (4, "1.2.1"), (31, "1.8.4"), (32, "2.1.1"), (100, "4.2.1")]
)
def test_addresses_count_phrases_bars_and_beats_from_one(beat, address):
    time = MusicalTime.of(track())
    assert time.address(beat * HALF_SECOND) == address
    assert time.find(address) == beat * HALF_SECOND


def test_quarters_of_a_beat_and_times_off_the_grid_are_told_apart():
    time = MusicalTime.of(track())
    assert time.address(250_000) == "1.1.1½"
    assert time.address(125_000) == "1.1.1¼"
    assert time.address(2_012_000) == "1.2.1 +12 ms"
    assert time.address(1_992_000) == "1.2.1 −8 ms"
    assert time.address(2_004_000) == "1.2.1"
    assert time.find("1.1.1½") == 250_000


def test_a_pick_up_is_a_short_row_set_to_the_right_and_counts_towards_the_bar_line():
    page = lay_out(track(beats=34, pick_up=2))
    pick_up, first, *_ = rows_of(page)
    assert (pick_up.label, first.label) == ("0", "1")
    assert [strip.column for strip in pick_up.strips] == [2]
    strip = pick_up.strips[0]
    assert (strip.start, strip.end, strip.left + strip.beats) == (0, 2, 2)
    assert page.time.address(0) == "0.1.3"
    assert page.time.address(HALF_SECOND) == "0.1.4"
    assert page.time.find("0.1.4") == HALF_SECOND


def test_a_pick_up_stays_whole_where_a_section_begins_inside_it():
    result = track(beats=70, pick_up=6)
    result = replace(result, sections=(section(result, 2, 38, "intro"), section(result, 38, 70, "drop")))
    stanzas = lay_out(result).stanzas
    assert [[row.label for row in stanza.rows] for stanza in stanzas] == [["0", "1"], ["2"]]


def test_less_than_a_beat_before_the_first_one_is_no_row_of_its_own():
    page = lay_out(track(first_us=250_000), [RowMarker(1, 0)])
    assert [row.label for row in rows_of(page)] == ["1", "2", "3", "4"]
    assert page.time.address(0) == "0.1.4½"
    assert next(page.strips).markers[0].column == 0


def test_a_long_silence_before_the_grid_becomes_bars_before_the_first_phrase():
    page = lay_out(track(first_us=10_000_000))
    pick_up = rows_of(page)[0]
    assert pick_up.label == "0"
    assert [strip.column for strip in pick_up.strips] == [1, 2]
    assert page.time.address(10_000_000) == "1.1.1"
    assert page.time.address(8_000_000) == "0.5.1"
    assert page.time.address(0) == "0.1.1"


def test_bars_of_three_beats_fill_strips_of_twelve():
    page = lay_out(track(beats=48, per_bar=3))
    assert [strip.beats for strip in page.strips] == [12.0] * 4
    assert page.time.address(3 * HALF_SECOND) == "1.2.1"
    placed = lay_out(track(beats=48, per_bar=3), [RowMarker(1, 3 * HALF_SECOND)])
    assert next(placed.strips).markers[0].column == COLUMNS // 4


def test_a_section_inside_a_phrase_starts_a_new_row_in_its_own_column():
    result = track(beats=64)
    result = replace(result, sections=(section(result, 0, 16, "intro"), section(result, 16, 64, "drop")))
    stanzas = lay_out(result).stanzas
    assert [(stanza.section.role, stanza.length) for stanza in stanzas if stanza.section] == [
        ("intro", "4 bars"),
        ("drop", "12 bars"),
    ]
    assert [row.label for row in stanzas[1].rows] == ["1.5", "2"]
    assert [strip.column for strip in stanzas[1].rows[0].strips] == [2]
    assert [strip.column for strip in stanzas[0].rows[0].strips] == [1]


def test_a_phrase_that_slips_leaves_a_ragged_edge():
    result = track(beats=80)
    result = replace(result, phrases_us=tuple(result.beats_us[beat] for beat in (0, 32, 48)))
    rows = rows_of(lay_out(result))
    assert [len(row.strips) for row in rows] == [2, 1, 2]
    assert MusicalTime.of(result).address(result.beats_us[48]) == "3.1.1"


def test_the_contour_is_held_to_the_end_of_a_strip():
    strip = next(lay_out(track(beats=32)).strips)
    assert strip.contour.startswith("M0 40L0 25.1 4 25.1")
    assert strip.contour.endswith("252 25.1 256 25.1 256 40Z")


def test_sixteen_steps_a_beat_are_drawn_as_eight_points_by_their_highest():
    beats, quiet, loud = 32, 20, 255
    steps = ((quiet, loud) + (quiet,) * 14) * beats
    strip = next(lay_out(replace(track(beats=beats), contour=Contour(16, steps, (200,) * beats * 16))).strips)
    assert strip.contour.startswith("M0 40L0 2 2 37 4 37")
    assert strip.contour.count(" 2 ") >= 16
    assert len(strip.contour) < 16 * 8 * 9


def test_the_bass_strip_reads_sixteen_steps_a_beat():
    result = track(beats=16)
    low = (0,) * 8 * 16 + (255,) * 8 * 16
    strip = next(lay_out(replace(result, contour=Contour(16, low, low, low))).strips)
    assert (strip.bass_absent, strip.bass_solid) == ("M0 43h128v5H0z", "M128 43h128v5H128z")


def test_a_track_without_a_grid_is_drawn_second_by_second():
    result = replace(
        track(), tempo_bpm=None, beats_us=(), downbeats_us=(), phrases_us=(), tempo_segments=(), sections=(),
        contour=Contour(16, (100,) * 51 * 16, (200,) * 51 * 16, (0,) * 51 * 16), duration_us=50_500_000,
    )  # fmt: skip
    strips = list(lay_out(result).strips)
    assert strips[0].contour.endswith("240 25.1 240 40Z"), "15 seconds of 16 units"
    assert strips[-1].contour.endswith("88 25.1 88 40Z"), "the last row ends with the sound"
    assert strips[0].bass_solid


def test_a_phrase_of_twelve_bars_takes_three_strips():
    result = track(beats=80)
    result = replace(result, phrases_us=(result.beats_us[0], result.beats_us[48]))
    assert [strip.column for strip in rows_of(lay_out(result))[0].strips] == [1, 2, 1]


def test_a_track_without_a_grid_is_laid_out_by_the_clock():
    result = replace(
        track(), tempo_bpm=None, beats_us=(), downbeats_us=(), phrases_us=(), tempo_segments=(), sections=(),
        contour=Contour(4, (), ()), duration_us=50_500_000,
    )  # fmt: skip
    page = lay_out(result, [RowMarker(1, 30_000_000)])
    assert page.time.timed
    assert [row.label for row in rows_of(page)] == ["0:00", "0:15", "0:30", "0:45"]
    assert page.time.address(30_000_000) == "0:30.000"
    assert page.time.find("1.1.1") is None
    assert rows_of(page)[2].strips[0].markers[0].column == 0


@pytest.mark.parametrize("duration_us", [1, 999_999, 1_000_000])
def test_the_shortest_sounds_still_have_a_row(duration_us):
    empty = replace(track(), beats_us=(), downbeats_us=(), phrases_us=(), contour=Contour(4, (), ()), drops=())
    page = lay_out(replace(empty, duration_us=duration_us), [RowMarker(1, 0)])
    assert len(rows_of(page)) == 1
    assert next(page.strips).markers


def test_beats_without_bars_or_phrases_still_make_rows_of_eight_bars():
    result = replace(track(), downbeats_us=(), phrases_us=())
    assert [row.label for row in rows_of(lay_out(result))] == ["1", "2", "3", "4"]


def test_every_marker_is_drawn_once_wherever_it_stands():
    result = track(beats=100, first_us=700_000, tail_us=3_000_000)
    times = [*range(0, result.duration_us, 333_331), result.duration_us - 1]
    page = lay_out(result, [RowMarker(index, time) for index, time in enumerate(times)])
    drawn = sorted(placed.marker.slot for strip in page.strips for placed in strip.markers)
    assert drawn == list(range(len(times)))


def test_markers_that_would_cover_each_other_stand_on_two_levels():
    page = lay_out(track(), [RowMarker(1, 0), RowMarker(2, HALF_SECOND), RowMarker(3, 8 * HALF_SECOND)])
    assert [placed.level for placed in next(page.strips).markers] == [0, 1, 0]
    assert rows_of(page)[0].levels == 2
    assert rows_of(page)[1].levels == 0


def test_a_loop_over_two_rows_is_open_where_it_goes_on():
    page = lay_out(track(), [RowMarker(8, 28 * HALF_SECOND, 36 * HALF_SECOND)])
    first, second = [strip.brackets[0].path for strip in page.strips if strip.brackets]
    assert first.startswith("M192 5V1H")
    assert not first.endswith("V5")
    assert second.endswith("V5")
    assert "V1" not in second


def test_the_end_of_a_loop_follows_the_real_beats():
    beats = (*range(0, 8_000_000, 500_000), *range(8_000_000, 16_000_001, 400_000))
    result = replace(track(), beats_us=beats, downbeats_us=beats[::4], phrases_us=(0,), duration_us=16_400_000)
    time = MusicalTime.of(result)
    assert time.loop_end(6_000_000, 2) == 6_000_000 + 4 * 500_000 + 4 * 400_000
    assert time.loop_end(16_000_000, 8) == 16_400_000, "a loop ends with the audio"


def test_the_bass_strip_joins_bars_of_one_kind():
    result = track(beats=32)
    low = (0,) * 16 * 4 + (60,) * 8 * 4 + (255,) * 8 * 4
    first, second = lay_out(replace(result, contour=replace(result.contour, low=low))).strips
    assert (first.bass_solid, first.bass_hollow) == ("", "")
    assert first.bass_absent == "M0 43h256v5H0z"
    assert second.bass_hollow == "M0 43h128v5H0z"
    assert second.bass_solid == "M128 43h128v5H128z"


def test_ten_minutes_stay_under_a_thousand_drawn_nodes():
    """Page design, section 5: fewer than 1000 nodes for 10 minutes at 128 BPM."""
    page = lay_out(analysis_result(bars=320))
    nodes = sum(
        1 + sum(bool(path) for path in (s.contour, s.bars, s.ticks, s.bass_solid, s.bass_hollow, s.bass_absent))
        for s in page.strips
    )
    assert 320 < nodes < 1000


def test_ninety_minutes_are_laid_out_with_a_coarser_contour():
    page = lay_out(analysis_result(bars=2880))
    assert len(rows_of(page)) == 361
    assert sum(len(strip.contour) for strip in page.strips) < 600_000


def test_stanzas_follow_the_sections_and_say_how_sure_they_are():
    stanzas: tuple[Stanza, ...] = lay_out(analysis_result()).stanzas
    assert [stanza.section.role for stanza in stanzas if stanza.section] == [
        "intro", "breakdown", "build-up", "drop", "breakdown", "build-up", "drop", "outro",
    ]  # fmt: skip
    assert {stanza.certainty for stanza in stanzas} == {"sure"}
    assert sum(len(stanza.rows) for stanza in stanzas) == 13, "twelve phrases, and the beats that ring out"


def test_a_change_of_tempo_is_noted_at_its_row():
    result = track()
    result = replace(result, tempo_segments=(TempoSegment(0, 120.0), TempoSegment(16_000_000, 124.0)))
    assert [row.tempo_note for row in rows_of(lay_out(result))] == ["", "124 BPM", "", ""]


def test_a_change_of_tempo_is_a_tick_where_it_happens_and_a_wobble_is_none():
    result = track()
    bends = (TempoSegment(0, 120.0), TempoSegment(16_000_000, 124.0), TempoSegment(24_000_000, 124.3))
    page = lay_out(replace(result, tempo_segments=bends))
    ticks = [(strip.left, strip.bends) for strip in page.strips if strip.bends]
    at = page.time.position(16_000_000)
    assert ticks == [(ticks[0][0], f"M{number((at - ticks[0][0]) * 16)} 0v40")]
    assert page.bends
    assert not lay_out(result).bends


def test_a_marker_off_the_grid_and_one_with_remarks_are_told():
    result = track()
    beat = result.beats_us[8]
    markers = [RowMarker(1, beat + 4_999), RowMarker(2, beat + 5_000, remarks=(("Ana", "a beat late?"),))]
    page = lay_out(result, markers)
    placed = {one.marker.slot: one.off for strip in page.strips for one in strip.markers}
    assert placed == {1: False, 2: True}
    assert page.remarked
    assert [marker.slot for row in rows_of(page) for marker in row.markers if marker.remarks] == [2]


@pytest.mark.parametrize(
    ("text", "time_us"),
    [("3:00.5", 180_500_000), ("180.5", 180_500_000), ("1:02:03", 3_723_000_000), ("0", 0), ("0:00.001", 1_000),
     ("12,25", 12_250_000), ("", None), ("three", None), ("-1", None), ("1:2:3:4", None), ("1e5", None)],
)  # fmt: skip
def test_clock_times_are_read_as_people_write_them(text, time_us):
    assert parse_clock(text) == time_us


@pytest.mark.parametrize(
    ("time_us", "text"), [(0, "0:00.000"), (180_000_499, "3:00.000"), (3_723_999_600, "1:02:04.000"), (-5, "0:00.000")]
)
def test_clock_times_are_written_to_the_millisecond(time_us, text):
    assert clock(time_us) == text
