"""Conversions: known values, edges, rounding."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core.units import SILENCE_DB, all_to_us, clock, power_to_db, ramp, to_s, to_us


def test_times_round_to_the_nearest_microsecond():
    assert to_us(1 / 44_100) == 23
    assert all_to_us([0.0, 1.5]) == (0, 1_500_000)
    assert to_s(to_us(3.25)) == 3.25


def test_levels_have_a_floor():
    assert power_to_db(np.array([1.0, 0.1, 0.0])).tolist() == pytest.approx([0.0, -10.0, SILENCE_DB])


def test_ramps_go_both_ways():
    assert ramp([0, 5, 10, 20], 0, 10).tolist() == [0, 0.5, 1, 1]
    assert ramp([0, 10], 10, 0).tolist() == [1, 0]


@pytest.mark.parametrize(("microseconds", "shown"), [(0, "0:00.0"), (187_460_000, "3:07.5"), (59_960_000, "1:00.0")])
def test_clock_shows_minutes_seconds_and_tenths(microseconds, shown):
    assert clock(microseconds) == shown
