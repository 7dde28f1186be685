"""Phrase rows: a track laid out like a page of verse (pure; no Django).

One phrase a row, beats as columns, a new stanza at each section. A row is made of *strips* of four bars; two stand side
by side where the page is wide and under each other where it is narrow, so addresses never depend on the width. A row
that starts inside a phrase keeps its column, and what comes before the first phrase is a short row set to the right.

Inside a strip everything is drawn in units of a sixteenth of a beat, ``strip.width`` of them across.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any, Literal

from analysis_worker.core.results import Section, TrackAnalysis
from crewprep.analysis.musical_time import TIMED_ROW_S, MusicalTime, clock
from crewprep.web.rows_drawing import CONTOUR_HEIGHT, UNITS_PER_BEAT, BassStrip, between, contour_path, number, x_of
from crewprep.web.slots import Badge

STRIP_BARS = 4
COLUMNS = 192
"""A strip's width in steps that a style sheet can name: fine enough for quarters of a beat in 3/4 and 4/4."""

_SHORTEST_ROW_BEATS = 0.5
_SHORTEST_PICK_UP_BEATS = 1
_MOST_TEMPO_NOTES = 12
_LEAST_BEND = 0.005

Side = Literal["new", "old", "kept"]


@dataclass(frozen=True, slots=True)
class RowMarker:
    """A marker to be drawn; ``old`` ones are ghosts of where a marker was, ``kept`` ones stand where they stood.

    ``name`` is what a reader hears, ``note`` what stands beside the badge (a label, a loop's length), ``href`` where it
    leads; ``remarks`` are who said what about it, for the margin of its row.
    """

    slot: int
    start_us: int
    end_us: int | None = None
    side: Side = "new"
    name: str = ""
    note: str = ""
    href: str = ""
    badge: Badge | None = None
    remarks: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PlacedMarker:
    """A marker in its strip: column 0 to ``COLUMNS``, the level of its lane (from 0), whether it is off the grid."""

    marker: RowMarker
    column: int
    level: int
    flip: bool
    off: bool


@dataclass(frozen=True, slots=True)
class Bracket:
    """The part of a loop that lies in a strip, in strip units; open at a side where the loop goes on."""

    marker: RowMarker
    path: str


@dataclass(frozen=True, slots=True)
class Strip:
    """Up to four bars. ``left`` is the position (in beats) of its left edge, ``beats`` its width in beats.

    Sound is drawn from ``start`` to ``end`` only. ``column`` is 1 or 2 where two strips share a line, 0 for a strip
    that takes the whole line.
    """

    index: int
    left: float
    beats: float
    start: float
    end: float
    column: int
    contour: str
    bars: str
    ticks: str
    bends: str
    bass_solid: str
    bass_hollow: str
    bass_absent: str
    markers: tuple[PlacedMarker, ...]
    brackets: tuple[Bracket, ...]

    @property
    def width(self) -> str:
        """Width in drawing units."""
        return number(self.beats * UNITS_PER_BEAT)


@dataclass(frozen=True, slots=True)
class Row:
    """A phrase, or the part of it that belongs to one section."""

    phrase: int
    label: str
    start_us: int
    clock: str
    tempo_note: str
    levels: int
    strips: tuple[Strip, ...]
    markers: tuple[RowMarker, ...]


@dataclass(frozen=True, slots=True)
class Stanza:
    """The rows of one section; without a section where the analysis named none."""

    section: Section | None
    start: str
    length: str
    certainty: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A whole track as rows."""

    time: MusicalTime
    stanzas: tuple[Stanza, ...]

    @property
    def remarked(self) -> bool:
        """Whether something is said in a margin."""
        return any(marker.remarks for stanza in self.stanzas for row in stanza.rows for marker in row.markers)

    @property
    def bends(self) -> bool:
        """Whether the tempo changes anywhere."""
        return any(strip.bends for strip in self.strips)

    @property
    def strips(self) -> Iterator[Strip]:
        """All strips in order."""
        return (strip for stanza in self.stanzas for row in stanza.rows for strip in row.strips)

    def to_script(self) -> dict[str, Any]:
        """What the scripts need: the grid, and where each strip lies on it."""
        rows = [row for stanza in self.stanzas for row in stanza.rows]
        return {
            "duration_us": self.time.duration_us,
            "timed": self.time.timed,
            "beats_per_bar": self.time.beats_per_bar,
            "beats_us": self.time.beats_us,
            "downbeats": self.time.downbeats,
            "phrases": self.time.phrases,
            "rows": [
                [
                    {"left": s.left, "beats": s.beats, "start": s.start, "end": s.end, "column": s.column}
                    for s in row.strips
                ]
                for row in rows
            ],
        }


def lay_out(result: TrackAnalysis, markers: Sequence[RowMarker] = ()) -> Page:
    """Lay a track out as rows, with markers in their places."""
    return _Layout(result, markers).page()


def certainty(confidence: float) -> str:
    """A confidence from 0 to 1 in words."""
    if confidence >= 0.8:
        return "sure"
    return "fairly sure" if confidence >= 0.5 else "unsure"


@dataclass(frozen=True, slots=True)
class _Span:
    """A row to be: a part of a phrase, in positions."""

    phrase: int
    start: float
    end: float
    section: Section | None


class _Layout:
    def __init__(self, result: TrackAnalysis, markers: Sequence[RowMarker]) -> None:
        self.result = result
        self.time = MusicalTime.of(result)
        self.markers = sorted(markers, key=lambda marker: (marker.start_us, marker.slot, marker.side))
        self.count = 0
        self.bends = list(self._bends())
        self.bass = BassStrip(result.contour, self.time)

    def page(self) -> Page:
        stanzas: list[Stanza] = []
        spans = list(self._spans())
        while spans:
            section = spans[0].section
            mine = [span for span in spans if span.section is section]
            spans = spans[len(mine) :]
            stanzas.append(self._stanza(section, mine))
        return Page(self.time, tuple(stanzas))

    def _spans(self) -> Iterator[_Span]:
        time = self.time
        first, last = time.position(0), time.position(time.duration_us)
        starts = [(phrase, float(beat)) for phrase, beat in enumerate(time.phrases, start=1)]
        if starts[0][1] - first >= _SHORTEST_PICK_UP_BEATS:
            starts.insert(0, (0, first))
        else:
            starts[0] = (1, first)
        while len(starts) > 1 and last - starts[-1][1] < _SHORTEST_ROW_BEATS:
            starts.pop()
        breaks = self._section_breaks()
        for index, (phrase, start) in enumerate(starts):
            end = starts[index + 1][1] if index + 1 < len(starts) else last
            begin = max(start, float(time.phrase_start(phrase))) + _SHORTEST_ROW_BEATS
            # A pick-up stays whole: it belongs to what follows, wherever the analysis lets the first section begin.
            inner = [cut for cut in sorted(breaks) if phrase and begin <= cut <= end - _SHORTEST_ROW_BEATS]
            edges = [start, *inner, end]
            for left, right in itertools.pairwise(edges):
                yield _Span(phrase, left, right, self._section_at(phrase, left, breaks))

    def _section_breaks(self) -> dict[float, Section]:
        """Sections by the bar line they start on (by the clock: by their own time)."""
        time = self.time
        breaks: dict[float, Section] = {}
        for section in self.result.sections:
            at = time.position(section.start_us)
            nearest = min(time.downbeats, key=lambda beat: abs(beat - at)) if not time.timed else at
            breaks[float(nearest) if abs(nearest - at) <= 1 else float(round(at))] = section
        return breaks

    def _section_at(self, phrase: int, position: float, breaks: dict[float, Section]) -> Section | None:
        """The section of a row; a pick-up belongs to the first one."""
        position = max(position, float(self.time.phrase_start(phrase)))
        begun = [at for at in breaks if at <= position + _SHORTEST_ROW_BEATS]
        if begun and phrase:
            return breaks[max(begun)]
        return breaks[min(breaks)] if breaks and phrase == 0 else None

    def _stanza(self, section: Section | None, spans: list[_Span]) -> Stanza:
        rows = tuple(self._row(span) for span in spans)
        if section is None:
            return Stanza(None, "", "", "", rows)
        if self.time.timed:
            length = f"{round((section.end_us - section.start_us) / 1e6)} seconds"
        else:
            beats = self.time.position(section.end_us) - self.time.position(section.start_us)
            bars = round(beats / self.time.beats_per_bar)
            length = f"{bars} bar{'' if bars == 1 else 's'}"
        return Stanza(section, clock(section.start_us, digits=0), length, certainty(section.confidence), rows)

    def _row(self, span: _Span) -> Row:
        time = self.time
        start_us = min(max(0, time.time(span.start)), time.duration_us)
        placed = list(self._placed(span))
        levels = 1 + max((level for _, _, level in placed), default=-1)
        strips = []
        frames = list(self._frames(span))
        for place, (left, beats, column) in enumerate(frames):
            inside = self._inside(placed, left, left + beats, last=place == len(frames) - 1, first=place == 0)
            strips.append(self._strip(span, left, beats, column, inside))
        if time.timed:
            label = clock(start_us, digits=0)
        else:
            continued = span.start - time.phrase_start(span.phrase) >= 1 and span.phrase > 0
            phrase, bar, _ = time.parts(min(max(round(span.start), 0), len(time.beats_us) - 1))
            label = f"{phrase}.{bar}" if continued else str(span.phrase)
        return Row(
            span.phrase, label, start_us, clock(start_us, digits=0), self._tempo_note(span), levels, tuple(strips),
            tuple(marker for marker, _, _ in placed),
        )  # fmt: skip

    def _frames(self, span: _Span) -> Iterator[tuple[float, float, int]]:
        """Left edge, width and column of each strip that a row needs."""
        time = self.time
        if time.timed:
            yield float(time.phrase_start(span.phrase)), float(TIMED_ROW_S), 0
            return
        full = STRIP_BARS * time.beats_per_bar
        if span.phrase == 0:
            end = float(time.phrases[0])
            count = max(1, -(-int(end - span.start + 0.5) // full))
            for back in range(count, 0, -1):
                yield end - back * full, float(full), 2 if back % 2 else 1
            return
        first = time.phrase_start(span.phrase)
        lines = [first, *between(time.downbeats, first + 0.5, span.end - 0.01)]
        cuts = lines[::STRIP_BARS]
        for place, left in enumerate(cuts):
            right = cuts[place + 1] if place + 1 < len(cuts) else max(left + full, span.end - 0.5)
            if right > span.start + 0.01:
                yield float(left), float(max(full, right - left)), 1 + place % 2

    def _placed(self, span: _Span) -> Iterator[tuple[RowMarker, float, int]]:
        """Markers of a row with their level: one that would cover its neighbour goes one level up."""
        free: list[float] = []
        for marker in self.markers:
            at = self.time.position(marker.start_us)
            first = span.start <= self.time.position(0) + 0.01
            last = span.end >= self.time.position(self.time.duration_us) - 0.01
            if not (first or at >= span.start - 0.01) or not (last or at < span.end - 0.01):
                continue
            level = next((lane for lane, until in enumerate(free) if at >= until), len(free))
            room = self.time.beats_per_bar * (1.0 if marker.note else 0.45)
            free[level : level + 1] = [at + room]
            yield marker, at, level

    def _inside(
        self, placed: list[tuple[RowMarker, float, int]], left: float, right: float, *, first: bool, last: bool
    ) -> tuple[PlacedMarker, ...]:
        return tuple(
            PlacedMarker(
                marker,
                column,
                level,
                flip=column > COLUMNS * (0.75 if marker.note else 0.9),
                off=self.time.off_grid(marker.start_us) != 0,
            )
            for marker, at, level in placed
            if (first or at >= left - 0.01) and (last or at < right - 0.01)
            for column in [min(max(round((at - left) / (right - left) * COLUMNS), 0), COLUMNS)]
        )

    def _strip(self, span: _Span, left: float, beats: float, column: int, placed: tuple[PlacedMarker, ...]) -> Strip:
        start, end = max(span.start, left), min(span.end, left + beats)
        bass = self.bass.paths(left, start, end)
        lines = between(self.time.downbeats, start - 0.01, end + 0.01)
        ticks = [beat for beat in range(ceil(start), int(end) + 1) if beat not in lines]
        self.count += 1
        return Strip(
            index=self.count - 1,
            left=left,
            beats=beats,
            start=start,
            end=end,
            column=column,
            contour=contour_path(self.result.contour, self.time, left, start, end),
            bars="".join(f"M{x_of(beat, left)} 0V{CONTOUR_HEIGHT}" for beat in lines),
            ticks="".join(f"M{x_of(beat, left)} {CONTOUR_HEIGHT - 4}v4" for beat in ticks),
            bends="".join(
                f"M{x_of(at, left)} 0v{CONTOUR_HEIGHT}" for at in self.bends if start - 0.01 <= at < end - 0.01
            ),
            bass_solid=bass[0],
            bass_hollow=bass[1],
            bass_absent=bass[2],
            markers=placed,
            brackets=tuple(self._brackets(left, beats, start, end)),
        )

    def _brackets(self, left: float, beats: float, start: float, end: float) -> Iterator[Bracket]:
        for marker in self.markers:
            if marker.end_us is None:
                continue
            begin, stop = self.time.position(marker.start_us), self.time.position(marker.end_us)
            a, b = max(begin, start), min(stop, end)
            if b - a < 0.01:
                continue
            rise = "V1" if begin >= start - 0.01 else ""
            fall = "V5" if stop <= end + 0.01 else ""
            down = f"M{x_of(a, left)} 5{rise}" if rise else f"M{x_of(a, left)} 1"
            yield Bracket(marker, f"{down}H{x_of(b, left)}{fall}")

    def _bends(self) -> Iterator[float]:
        """Positions where the tempo changes by enough to be heard."""
        if not self.time.timed:
            for before, after in itertools.pairwise(self.result.tempo_segments):
                if abs(after.bpm / before.bpm - 1) >= _LEAST_BEND:
                    yield self.time.position(after.start_us)

    def _tempo_note(self, span: _Span) -> str:
        segments = self.result.tempo_segments
        if self.time.timed or not 1 < len(segments) <= _MOST_TEMPO_NOTES:
            return ""
        for segment in segments[1:]:
            if span.start - 0.5 <= self.time.position(segment.start_us) < span.end - 0.5:
                return f"{segment.bpm:.4g} BPM"
        return ""
