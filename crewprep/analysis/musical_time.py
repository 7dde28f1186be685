"""Where a time stands in the music: ``phrase.bar.beat`` (pure; no Django).

The grid of an analysis covers only the beats that were heard. Here it is carried on past both ends of the audio, so
that every time has an address. A track without a grid is laid out by the clock: seconds stand for beats and rows of
15 seconds for phrases, and its addresses are plain times. ``static/crewprep/js/grid.js`` does the same arithmetic in
the browser from the same lists; ``tests/js/addresses.json`` holds both to the same answers.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from math import floor
from typing import NamedTuple, Protocol

PHRASE_BARS = 8
TIMED_ROW_S = 15
TIMED_BAR_S = 5
OFF_GRID_US = 5_000
"""A time this far from the nearest quarter of a beat is said to be off the grid."""

_QUARTERS = ("", "¼", "½", "¾")
_CLOCK = re.compile(r"^(?:(?:(\d{1,2}):)?(\d{1,3}):)?(\d{1,5}(?:[.,]\d{1,6})?)$")
_ADDRESS = re.compile(r"^(\d{1,4})\.(\d{1,4})\.(\d{1,2})([¼½¾]?)$")


class GridLike(Protocol):
    """What is asked of the facts of a track: a few names of ``TrackAnalysis``."""

    @property
    def duration_us(self) -> int: ...
    @property
    def beats_per_bar(self) -> int: ...
    @property
    def beats_us(self) -> tuple[int, ...]: ...
    @property
    def downbeats_us(self) -> tuple[int, ...]: ...
    @property
    def phrases_us(self) -> tuple[int, ...]: ...


class GridFacts(NamedTuple):
    """These names alone, read without the other facts."""

    duration_us: int
    beats_per_bar: int
    beats_us: tuple[int, ...]
    downbeats_us: tuple[int, ...]
    phrases_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MusicalTime:
    """Beats over the whole audio.

    ``beats_us`` rises strictly, starts at or before zero and ends at or after ``duration_us``. ``downbeats`` and
    ``phrases`` are indices into it. What lies before ``phrases[0]`` is phrase 0, the pick-up. ``heard_from`` is the
    index of the first beat that the analysis found. ``timed`` says that seconds stand for beats.
    """

    duration_us: int
    beats_per_bar: int
    beats_us: tuple[int, ...]
    downbeats: tuple[int, ...]
    phrases: tuple[int, ...]
    heard_from: int
    timed: bool

    @classmethod
    def of(cls, result: GridLike) -> MusicalTime:
        """The grid of an analysis, carried on past both ends; by the clock where it has no grid."""
        beats = sorted(set(result.beats_us))
        if len(beats) < 2:
            return cls._by_the_clock(result.duration_us)
        per_bar = max(1, result.beats_per_bar)
        head = beats[1] - beats[0]
        before = -(-max(0, beats[0]) // head)
        tail = beats[-1] - beats[-2]
        after = -(-max(0, result.duration_us - beats[-1]) // tail)
        extended = (
            *(beats[0] - head * step for step in range(before, 0, -1)),
            *beats,
            *(beats[-1] + tail * step for step in range(1, after + 1)),
        )
        at = dict(zip(extended, range(len(extended)), strict=True))
        phrases = _indices(extended, at, result.phrases_us)
        downbeats = sorted({*_indices(extended, at, result.downbeats_us), *phrases}) or [before]
        downbeats = [
            *reversed(range(downbeats[0] - per_bar, -1, -per_bar)),
            *downbeats,
            *range(downbeats[-1] + per_bar, len(extended), per_bar),
        ]
        if not phrases:
            first = bisect_left(downbeats, before)
            phrases = downbeats[min(first, len(downbeats) - 1) :: PHRASE_BARS]
        return cls(result.duration_us, per_bar, extended, tuple(downbeats), tuple(phrases), before, timed=False)

    @classmethod
    def _by_the_clock(cls, duration_us: int) -> MusicalTime:
        seconds = max(1, -(-duration_us // 1_000_000))
        beats = tuple(second * 1_000_000 for second in range(seconds + 1))
        return cls(
            duration_us,
            TIMED_BAR_S,
            beats,
            tuple(range(0, seconds + 1, TIMED_BAR_S)),
            tuple(range(0, seconds, TIMED_ROW_S)),
            0,
            timed=True,
        )

    def position(self, time_us: int) -> float:
        """The time in beats from ``beats_us[0]``, as a fraction between two beats."""
        after = min(max(bisect_right(self.beats_us, time_us), 1), len(self.beats_us) - 1)
        left, right = self.beats_us[after - 1], self.beats_us[after]
        return after - 1 + (time_us - left) / (right - left)

    def time(self, position: float) -> int:
        """The time of a position, in microseconds."""
        index = min(max(floor(position), 0), len(self.beats_us) - 2)
        left, right = self.beats_us[index], self.beats_us[index + 1]
        return floor(left + (position - index) * (right - left) + 0.5)

    def phrase_of(self, beat: int) -> int:
        """The number of the phrase that a beat lies in; 0 is the pick-up."""
        return bisect_right(self.phrases, beat)

    def phrase_start(self, phrase: int) -> int:
        """The beat that a phrase starts on."""
        return self.phrases[phrase - 1] if phrase else 0

    def parts(self, beat: int) -> tuple[int, int, int]:
        """Phrase, bar and beat of a beat, the last two counted from 1.

        In a pick-up that does not start with a bar line the first beats count towards that line, as in printed music.
        """
        phrase = self.phrase_of(beat)
        start = self.phrase_start(phrase)
        bar = bisect_right(self.downbeats, beat) - 1
        first_bar = bisect_right(self.downbeats, start) - 1
        if bar < 0:
            return phrase, 1, max(1, self.beats_per_bar - (self.downbeats[0] - beat) + 1)
        return phrase, bar - first_bar + 1, beat - self.downbeats[bar] + 1

    def address(self, time_us: int) -> str:
        """``13.1.1``, ``13.1.2½``, or ``13.1.2 +12 ms`` for a time off the grid; a plain time without a grid."""
        if self.timed:
            return clock(time_us)
        quarter = floor(self.position(time_us) * 4 + 0.5)
        beat, fraction = min(max(quarter // 4, 0), len(self.beats_us) - 1), quarter % 4
        off_us = self.off_grid(time_us)
        off = f" {'+' if off_us > 0 else '−'}{floor(abs(off_us) / 1000 + 0.5)} ms" if off_us else ""
        phrase, bar, beat_in_bar = self.parts(beat)
        return f"{phrase}.{bar}.{beat_in_bar}{_QUARTERS[fraction]}{off}"

    def off_grid(self, time_us: int) -> int:
        """Microseconds after the nearest quarter of a beat; 0 where it is nearer than 5 ms, and without a grid."""
        off_us = 0 if self.timed else time_us - self.time(floor(self.position(time_us) * 4 + 0.5) / 4)
        return off_us if abs(off_us) >= OFF_GRID_US else 0

    def find(self, text: str) -> int | None:
        """The time of an address (``13.1.1``) or of a clock time (``3:00.5``, ``180.5``); None for anything else."""
        text = text.strip()
        address = _ADDRESS.match(text)
        if address is None:
            return parse_clock(text)
        if self.timed:
            return None
        wanted = (int(address[1]), int(address[2]), int(address[3]))
        first = self.phrase_start(wanted[0]) if wanted[0] <= len(self.phrases) else len(self.beats_us)
        last = self.phrases[wanted[0]] if wanted[0] < len(self.phrases) else len(self.beats_us)
        for beat in range(first, last):
            if self.parts(beat) == wanted:
                time_us = self.time(beat + _QUARTERS.index(address[4]) / 4)
                return time_us if 0 <= time_us < self.duration_us else None
        return None

    def loop_end(self, start_us: int, bars: int) -> int:
        """The end of a loop of so many bars on the real grid, but no later than the end of the audio."""
        end = self.time(self.position(start_us) + bars * self.beats_per_bar)
        return max(start_us + 1, min(end, self.duration_us))


def clock(time_us: int, *, digits: int = 3) -> str:
    """``3:00.000``, hours only where there are some; never minus."""
    step = 10 ** (6 - digits)
    units = (max(0, time_us) + step // 2) // step
    seconds, fraction = divmod(units, 10**digits)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    text = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    return f"{text}.{fraction:0{digits}}" if digits else text


def parse_clock(text: str) -> int | None:
    """Microseconds of ``3:00.5``, ``1:02:03`` or ``180.5``; None for anything else."""
    found = _CLOCK.match(text.strip())
    if found is None:
        return None
    whole, _, fraction = found[3].replace(",", ".").partition(".")
    seconds = int(whole) + 60 * int(found[2] or 0) + 3600 * int(found[1] or 0)
    return seconds * 1_000_000 + int(fraction.ljust(6, "0") or 0)


def _indices(beats: tuple[int, ...], at: Mapping[int, int], times_us: tuple[int, ...]) -> list[int]:
    """The nearest beat of each time, once; ``at`` has the index of each beat, as most times are beats."""
    found = set()
    for time_us in times_us:
        index = at.get(time_us)
        if index is None:
            after = min(max(bisect_left(beats, time_us), 1), len(beats) - 1)
            index = after - 1 if time_us - beats[after - 1] <= beats[after] - time_us else after
        found.add(index)
    return sorted(found)
