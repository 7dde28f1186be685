"""Writes ``addresses.json``: grids and what ``MusicalTime`` says of them, for the browser's twin to agree with."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.web.rows import RowMarker, lay_out

TARGET = Path(__file__).with_name("addresses.json")


def cases() -> list[dict[str, Any]]:
    """A steady track, a pick-up in 3/4, a change of tempo with a slipped phrase, and a track without a grid."""
    from tests.factories import analysis_result

    steady = analysis_result(bars=24)
    waltz_beats = tuple(1_300_000 + 400_123 * index for index in range(80))
    waltz = replace(
        steady, duration_us=35_000_000, beats_per_bar=3, beats_us=waltz_beats, downbeats_us=waltz_beats[2::3],
        phrases_us=waltz_beats[2::24], sections=(), contour=replace(steady.contour, loudness=(), low=(), onsets=()),
    )  # fmt: skip
    bent_beats = (*range(200_000, 20_200_000, 500_000), *range(20_200_000, 40_000_000, 431_654))
    bent = replace(
        waltz, duration_us=41_000_000, beats_per_bar=4, beats_us=bent_beats, downbeats_us=bent_beats[::4],
        phrases_us=(bent_beats[0], bent_beats[32], bent_beats[48]),
    )  # fmt: skip
    free = replace(waltz, duration_us=50_400_000, beats_us=(), downbeats_us=(), phrases_us=())
    found = []
    for name, result in (("steady", steady), ("waltz", waltz), ("bent", bent), ("free", free)):
        time = MusicalTime.of(result)
        times = [*range(0, result.duration_us, 1_234_567), result.duration_us - 1, *result.beats_us[:9]]
        markers = [RowMarker(number, time_us) for number, time_us in enumerate(times)]
        page = lay_out(result, markers)
        found.append(
            {
                "name": name,
                "data": page.to_script(),
                "times": [
                    {
                        "us": time_us,
                        "position": time.position(time_us),
                        "address": time.address(time_us),
                        "clock": clock(time_us),
                        "found": time.find(time.address(time_us)),
                        "loop_end": time.loop_end(time_us, 4),
                    }
                    for time_us in times
                ],
                "placed": [
                    [placed.marker.slot, strip.index, placed.column, placed.level, placed.flip]
                    for strip in page.strips
                    for placed in strip.markers
                ],
            }
        )
    return found


def text() -> str:
    """The file's content."""
    return json.dumps(cases(), separators=(",", ":"), ensure_ascii=False) + "\n"
