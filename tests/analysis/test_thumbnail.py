"""The picture of a track in lists: a row a phrase, a box a bar, full where the low end is."""

from __future__ import annotations

from dataclasses import replace

from crewprep.analysis.thumbnail import ROW, STANZA, thumbnail_of
from tests import factories


def test_every_bar_has_one_box_and_every_section_a_gap():
    result = factories.analysis_result(bars=96)
    drawn = thumbnail_of(result)
    boxes = drawn["full"].count("M") + drawn["hollow"].count("M")
    assert boxes == 96
    # Twelve phrases; the factory's track has eight sections, the first without a gap before it.
    assert len(result.sections) == 8
    assert drawn["height"] == 12 * ROW + 7 * STANZA


def test_boxes_are_full_where_the_low_end_is():
    result = factories.analysis_result(bars=16)
    count = len(result.contour.low)
    half = replace(result.contour, low=(0,) * (count // 2) + (255,) * (count - count // 2))
    drawn = thumbnail_of(replace(result, contour=half, sections=()))
    assert (drawn["hollow"].count("M"), drawn["full"].count("M")) == (8, 8)


def test_a_track_without_a_grid_has_no_boxes():
    result = factories.analysis_result()
    drawn = thumbnail_of(replace(result, beats_us=(), downbeats_us=(), phrases_us=()))
    assert (drawn["full"], drawn["hollow"]) == ("", "")
