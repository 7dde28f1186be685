"""How well markers set by ear agree with an approved sheet, slot by slot, and what each miss is (pure; no Django).

Beats are those of the track's own grid, so a quarter of a beat means the same at every tempo. Which miss a distance is
called was decided by what a teacher would say first, from the top:

============== ========================================================================================================
exact          within a quarter of a beat (common practice for points, no source)
beat           within a beat
function       within a beat of the place of another slot: that place was taken for this one
phrase         whole phrases early or late, within a beat
half bar       half a bar early or late, within a quarter of a beat; where a bar has an even number of beats
bar            less than a bar early or late: in the right bar or just past its line, but off the beat
elsewhere      anything else, whole bars too
missing        the sheet has a marker, the member set none
extra          the member set one, the sheet has none
============== ========================================================================================================

A track without a grid has neither bars nor phrases: its beats are seconds, and what is more than one away is elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import floor, inf
from typing import Literal, Protocol, get_args

from crewprep.analysis.musical_time import PHRASE_BARS, MusicalTime

Miss = Literal["exact", "beat", "function", "phrase", "half bar", "bar", "elsewhere", "missing", "extra"]
MISSES: tuple[Miss, ...] = get_args(Miss)

Within = Literal["quarter", "beat", "bar", "phrase"]
WITHIN: tuple[Within, ...] = get_args(Within)

QUARTER, BEAT = 0.25, 1.0
ROUND = 1e-4
"""Beats; times are whole microseconds, and a marker snapped a quarter of a beat away shall be within one."""


class Marked(Protocol):
    """A marker: a slot, a start and an end (None for a point) in microseconds."""

    @property
    def slot(self) -> int: ...
    @property
    def start_us(self) -> int: ...
    @property
    def end_us(self) -> int | None: ...


@dataclass(frozen=True, slots=True)
class SlotScore:
    """How one slot was marked.

    ``off_us`` and ``off_beats`` are positive for late, None where one of the two markers is not there. ``phrases`` are
    whole phrases late (negative: early), for ``phrase`` and where a place of another function lies so far away too;
    ``other`` is the slot whose place was taken (``function``, ``extra``). ``length_off_beats`` is how much longer a
    loop is than the sheet's, None where either is a point.
    """

    slot: int
    miss: Miss
    off_us: int | None = None
    off_beats: float | None = None
    phrases: int | None = None
    other: int | None = None
    length_off_beats: float | None = None

    def within(self, limit: Within, beats_per_bar: int = 4) -> bool:
        """Whether the marker is there and no further than a quarter of a beat, a beat, a bar or eight bars away."""
        if self.off_beats is None:
            return False
        beats = {"quarter": QUARTER, "beat": BEAT, "bar": beats_per_bar, "phrase": beats_per_bar * PHRASE_BARS}
        return abs(self.off_beats) <= beats[limit] + ROUND


def score(truth: Sequence[Marked], placed: Sequence[Marked], time: MusicalTime) -> list[SlotScore]:
    """The scores of every slot that is marked in either, by slot; the order of the markers does not matter.

    Raises ``ValueError`` where a slot is marked twice in one of the two.
    """
    right, theirs = _by_slot(truth), _by_slot(placed)
    return [_score(slot, right, theirs, time) for slot in sorted(right.keys() | theirs.keys())]


def _by_slot(markers: Iterable[Marked]) -> dict[int, Marked]:
    found: dict[int, Marked] = {}
    for marker in markers:
        if marker.slot in found:
            raise ValueError(f"slot {marker.slot} is marked twice")
        found[marker.slot] = marker
    return found


def _score(slot: int, right: dict[int, Marked], theirs: dict[int, Marked], time: MusicalTime) -> SlotScore:
    truth, placed = right.get(slot), theirs.get(slot)
    if placed is None:
        return SlotScore(slot, "missing")
    at = time.position(placed.start_us)
    other = _taken_for(slot, at, right, time)
    if truth is None:
        return SlotScore(slot, "extra", other=other)
    there = time.position(truth.start_us)
    off = at - there
    length = None
    if truth.end_us is not None and placed.end_us is not None:
        length = (time.position(placed.end_us) - at) - (time.position(truth.end_us) - there)
    miss, phrases = _miss(at, there, other, time)
    return SlotScore(
        slot, miss, off_us=placed.start_us - truth.start_us, off_beats=off, phrases=phrases,
        other=other if miss == "function" else None, length_off_beats=length,
    )  # fmt: skip


def _miss(at: float, there: float, other: int | None, time: MusicalTime) -> tuple[Miss, int | None]:
    off = at - there
    if abs(off) <= QUARTER + ROUND:
        return "exact", None
    if abs(off) <= BEAT + ROUND:
        return "beat", None
    phrases = phrases_off(at, there, time)
    if other is not None:
        return "function", phrases
    if phrases is not None:
        return "phrase", phrases
    if time.timed:
        return "elsewhere", None
    bar = time.beats_per_bar
    if bar % 2 == 0 and abs(abs(off) - bar / 2) <= QUARTER + ROUND:
        return "half bar", None
    # A bar away within a quarter of a beat is on the beat, in another bar.
    return ("bar" if abs(off) < bar - QUARTER - ROUND else "elsewhere"), None


def phrases_off(at: float, there: float, time: MusicalTime) -> int | None:
    """Whole phrases from one position to another (in beats of ``time``), or None where it is no whole number of them.

    Phrases are the track's own: both places stand as far into theirs, within a beat, and at least a bar apart. What
    comes before the first line counts as the end of a phrase of eight bars. Where phrases have odd lengths, eight bars
    to the beat count too.
    """
    off, usual = at - there, time.beats_per_bar * PHRASE_BARS
    if time.timed or abs(off) < time.beats_per_bar - ROUND:
        return None
    starts = [time.phrases[0] - usual, *time.phrases]
    # A marker a hair before a line is meant for the phrase that the line begins.
    ours = time.phrase_of(floor(there + QUARTER + ROUND))
    into = there - starts[ours]
    places = [
        (abs(start + into - at), phrase - ours)
        for phrase, (start, end) in enumerate(zip(starts, [*starts[1:], inf], strict=True))
        if phrase != ours and start + into < end
    ]
    nearest, phrases = min(places, default=(inf, 0))
    if nearest <= BEAT + ROUND:
        return phrases
    whole = round(off / usual)
    return whole if whole and abs(off - whole * usual) <= BEAT + ROUND else None


def _taken_for(slot: int, at: float, right: dict[int, Marked], time: MusicalTime) -> int | None:
    """The nearest other slot of the sheet within a beat of a position."""
    near = [(abs(time.position(one.start_us) - at), number) for number, one in right.items() if number != slot]
    best = min(near, default=None)
    return best[1] if best is not None and best[0] <= BEAT + ROUND else None
