"""A draft sheet: markers suggested for one track by the rules of one convention.

Knows slot rules and no convention. Each function has a list of places in the track, in the order in which a DJ counts
them; a slot's ``which`` picks one. Counting starts from the drops and goes back: the first breakdown and the first
build-up are those that lead to the first drop, the second breakdown is the first one after it. Places are beat
positions, moved by the slot's lead and pulled to its grid fraction. Every slot is marked with a confidence and a
reason, or listed as empty with a reason.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis_worker.core.convention import ConventionRules, SlotRule
from analysis_worker.core.results import Draft, DraftMarker, EmptySlot, Loop, Role, Section, TrackAnalysis
from analysis_worker.core.units import clock

_ORDINALS = {"first": 0, "second": 1}
_LAST_PHRASE_BARS = 8
_UNKNOWN_SEAM = 0.4
_NATURAL_RANK = 0.9
_LOW_SHARE = 0.5
"""A bar has a beat from this share of the low end that a fifth of the bars exceed (own choice; kick alone has 0.8)."""


@dataclass(frozen=True, slots=True)
class _Place:
    """A place that a function may name: where, how sure, why, and by what its rivals are compared."""

    start_us: int
    confidence: float
    reason: str
    strength: float


class _Nothing(Exception):
    """Why a slot stays empty, in one sentence."""


def draft_sheet(analysis: TrackAnalysis, rules: ConventionRules) -> Draft:
    """Suggest a marker for each slot, or say why not."""
    drafter = _Drafter(analysis)
    markers: list[DraftMarker] = []
    empty: list[EmptySlot] = []
    for slot in rules.slots:
        try:
            markers.append(drafter.mark(slot))
        except _Nothing as nothing:
            empty.append(EmptySlot(slot.number, str(nothing)))
    return Draft(tuple(markers), tuple(empty))


class _Grid:
    """Beat positions (0 is the first beat, fractions inside beats) and microseconds."""

    def __init__(self, analysis: TrackAnalysis) -> None:
        self.beats_us = analysis.beats_us
        self.per_bar = analysis.beats_per_bar
        self.downbeats = [bisect_left(self.beats_us, time) for time in analysis.downbeats_us]

    def position(self, time_us: int) -> float:
        """Beat position of a time; before the first and after the last beat the nearest beat length goes on."""
        beats = self.beats_us
        index = min(max(bisect_right(beats, time_us) - 1, 0), len(beats) - 2)
        return index + (time_us - beats[index]) / (beats[index + 1] - beats[index])

    def time_us(self, position: float) -> int:
        """Time of a beat position."""
        beats = self.beats_us
        index = min(max(int(position), 0), len(beats) - 2)
        return round(beats[index] + (position - index) * (beats[index + 1] - beats[index]))

    def snapped(self, position: float, snap_beats: float) -> float:
        """The nearest multiple of the fraction; a fraction of four beats or more means the nearest bar line."""
        if snap_beats >= 4.0:
            return float(self.downbeats[self.nearest_bar(position)])
        return round(position / snap_beats) * snap_beats

    def nearest_bar(self, position: float) -> int:
        """Number of the bar whose first beat lies nearest."""
        return min(range(len(self.downbeats)), key=lambda bar: abs(self.downbeats[bar] - position))


class _Drafter:
    def __init__(self, analysis: TrackAnalysis) -> None:
        self.analysis = analysis
        self.grid = _Grid(analysis)
        self.trust = 0.5 + 0.5 * min(analysis.grid_confidence, analysis.downbeat_confidence)
        """What every confidence is scaled by: a marker is no surer than the grid that it stands on."""

    def mark(self, slot: SlotRule) -> DraftMarker:
        if slot.function in _LEFT_TO_EARS:
            raise _Nothing(_LEFT_TO_EARS[slot.function])
        if len(self.analysis.beats_us) < 2 or not self.analysis.downbeats_us:
            raise _Nothing("No beat was found in this track, so there is no grid to place a marker on.")
        if slot.function == "exit loop":
            return self._exit_loop(slot)
        place = self._pick(slot, self._places(slot))
        return self._marker(slot, place)

    def _marker(self, slot: SlotRule, place: _Place) -> DraftMarker:
        grid = self.grid
        position = grid.snapped(grid.position(place.start_us), slot.snap_beats)
        reason, confidence = place.reason, place.confidence
        if slot.lead_bars:
            position, exist = self._lead(position, slot.lead_bars)
            if exist < slot.lead_bars:
                reason += f"; the track has only {exist} of the {slot.lead_bars} bars of lead before it"
                confidence *= 0.7
            else:
                reason += f"; placed {_bars(slot.lead_bars)} before it"
        start_us = self._inside(grid.time_us(position))
        if slot.kind == "point":
            return DraftMarker(slot.number, start_us, None, self._sure(confidence), reason)
        assert slot.loop_bars is not None
        position = grid.snapped(position, max(1.0, slot.snap_beats))
        start_us = self._inside(grid.time_us(position))
        end_us = grid.time_us(position + slot.loop_bars * grid.per_bar)
        if end_us > self.analysis.duration_us:
            raise _Nothing(
                f"A loop of {_bars(slot.loop_bars)} does not fit between {clock(start_us)} and the end of the track."
            )
        loop = self._loop_at(start_us, slot.loop_bars)
        if loop:
            reason += f"; {_seam_words(loop)}"
        confidence *= 0.5 + 0.5 * (max(loop.seam, 1.0 - loop.rank) if loop else _UNKNOWN_SEAM)
        return DraftMarker(slot.number, start_us, end_us, self._sure(confidence), reason)

    def _lead(self, position: float, bars: int) -> tuple[float, int]:
        """The position so many bars earlier, and how many of them the track has."""
        grid = self.grid
        fits = int((position - grid.downbeats[0]) // grid.per_bar)
        exist = max(0, min(bars, fits))
        return position - exist * grid.per_bar, exist

    def _loop_at(self, start_us: int, bars: int) -> Loop | None:
        """The measured loop of that length at that time, if its seam was measured."""
        return next(
            (loop for loop in self.analysis.loops if loop.bars == bars and abs(loop.start_us - start_us) <= 2), None
        )

    def _inside(self, time_us: int) -> int:
        if time_us >= self.analysis.duration_us:
            raise _Nothing("The place for it lies at the very end of the track, where nothing can follow.")
        return max(0, time_us)

    def _sure(self, confidence: float) -> float:
        return round(min(max(confidence * self.trust, 0.01), 0.99), 3)

    # Which place

    def _pick(self, slot: SlotRule, places: Sequence[_Place]) -> _Place:
        if not places:
            raise _Nothing(self._why_none(slot))
        if slot.which == "strongest":
            return self._strongest(slot, places)
        if slot.which == "last":
            return places[-1]
        wanted = _ORDINALS[slot.which]
        if wanted >= len(places):
            after = _NEVER_AGAIN.get(slot.function, "nothing like it comes again").format(clock(places[0].start_us))
            raise _Nothing(f"No second {slot.function}: {after}.")
        return places[wanted]

    def _strongest(self, slot: SlotRule, places: Sequence[_Place]) -> _Place:
        ranked = sorted(places, key=lambda place: (-place.strength, place.start_us))
        best = ranked[0]
        if len(ranked) == 1:
            return replace(best, reason=f"the only {slot.function}: {best.reason}")
        lead = best.strength - ranked[1].strength
        if slot.function == "drop":
            return replace(
                best,
                confidence=best.confidence * (0.6 + 0.4 * min(1.0, lead / 0.2)),
                reason=self._lead_of(best, ranked[1]),
            )
        return replace(
            best,
            confidence=best.confidence * (0.6 + 0.4 * min(1.0, lead / 0.15)),
            reason=f"{best.reason}; most energy of {len(ranked)}",
        )

    def _lead_of(self, best: _Place, rival: _Place) -> str:
        """By what figures the strongest drop leads the next one."""
        drops = {drop.start_us: drop for drop in self.analysis.drops}
        ours, theirs = drops.get(best.start_us), drops.get(rival.start_us)
        if ours is None or theirs is None:
            return best.reason
        return (
            f"strongest of {len(drops)} drops: {_signed(ours.loudness_lufs - theirs.loudness_lufs)} LU, "
            f"{_signed(ours.low_db - theirs.low_db)} dB low end and "
            f"{_signed(ours.onsets_per_beat - theirs.onsets_per_beat)} attacks a beat "
            f"against the one at {clock(theirs.start_us)}"
        )

    def _why_none(self, slot: SlotRule) -> str:
        if slot.function == "build-up" and self.analysis.drops:
            return "Nothing rises before the drops: no attacks that thicken, no level or brightness that grows."
        if slot.function in ("drop", "build-up"):
            return "No drop was found: kick and low end never return together after a contrast."
        if slot.function == "breakdown":
            return "No breakdown was found: kick and low end never leave for long enough."
        if slot.function == "vocal":
            return "No voice was found; where there is one all the same, this slot waits for ears."
        if slot.function == "outro":
            return "No outro was found: the track keeps its level to the end."
        return "No place was found at which kick or hats give a steady beat to mix on."

    # Where each function may be

    def _places(self, slot: SlotRule) -> list[_Place]:
        if slot.function == "mix-in":
            return self._mix_ins()
        if slot.function == "drop":
            return self._drops()
        if slot.function == "breakdown":
            return self._breakdowns()
        if slot.function == "build-up":
            return self._build_ups()
        if slot.function == "vocal":
            return self._voices()
        return [_of(section) for section in self._sections("outro")]

    def _sections(self, role: Role) -> list[Section]:
        return [section for section in self.analysis.sections if section.role == role]

    def _drops(self) -> list[_Place]:
        strengths = {drop.start_us: drop.strength for drop in self.analysis.drops}
        return [
            replace(_of(section), strength=strengths.get(section.start_us, 0.0)) for section in self._sections("drop")
        ]

    def _breakdowns(self) -> list[_Place]:
        """The breakdown that leads to the first drop, then all that follow that drop; without a drop, all of them."""
        breakdowns = self._sections("breakdown")
        drops = self._sections("drop")
        if not drops:
            return [_of(section) for section in breakdowns]
        before = [section for section in breakdowns if section.start_us < drops[0].start_us]
        after = [section for section in breakdowns if section.start_us >= drops[0].start_us]
        return [_of(section) for section in (*before[-1:], *after)]

    def _build_ups(self) -> list[_Place]:
        """One per drop that has one. Before a drop that nothing visibly builds up to, the last phrase of the stretch
        without low end may serve, if it does not fall off."""
        sections = self.analysis.sections
        places = []
        for index, section in enumerate(sections):
            if section.role != "drop" or index == 0:
                continue
            before = sections[index - 1]
            if before.role == "build-up":
                places.append(_of(before))
            elif before.role in ("breakdown", "intro"):
                place = self._last_phrase(before, section)
                if place:
                    places.append(place)
        return places

    def _last_phrase(self, before: Section, drop: Section) -> _Place | None:
        bar = bisect_left(self.analysis.downbeats_us, drop.start_us)
        first = bar - _LAST_PHRASE_BARS
        energy = self.analysis.energy
        if first < 1 or self.analysis.downbeats_us[first] < before.start_us or bar > len(energy):
            return None
        half = _LAST_PHRASE_BARS // 2
        early, late = energy[first : first + half], energy[bar - half : bar]
        if sum(late) < sum(early):
            return None
        reason = f"no rise stands out, so this is the last phrase ({_bars(_LAST_PHRASE_BARS)}) before the drop"
        return _Place(self.analysis.downbeats_us[first], 0.25, reason, sum(late) / half)

    def _mix_ins(self) -> list[_Place]:
        """The first bar with a beat, then each further section before the first drop in which the beat goes on."""
        energy, downbeats = self.analysis.energy, self.analysis.downbeats_us
        if not energy or max(energy) <= 0.0:
            return []
        drops = self._sections("drop")
        limit = drops[0].start_us if drops else self.analysis.duration_us
        first = self._first_beat(energy)
        if first is None or downbeats[first] >= limit:
            return []
        if first == 0:
            reason = "first downbeat of the track, with the beat going from the start"
        else:
            reason = f"the beat starts here, {_bars(first)} into the track"
        places = [_Place(downbeats[first], 0.75 if first == 0 else 0.65, reason, energy[first])]
        for section in self.analysis.sections:
            if section.start_us > downbeats[first] and section.start_us < limit and section.energy >= 0.4 * max(energy):
                places.append(replace(_of(section), confidence=section.confidence * 0.7))
        return places

    def _first_beat(self, energy: Sequence[float]) -> int | None:
        """The first bar with a beat: where the low end comes in or, where that is not told, where something happens."""
        contour, grid = self.analysis.contour, self.grid
        steps = contour.steps_per_beat * grid.per_bar
        starts = [beat * contour.steps_per_beat for beat in grid.downbeats]
        low = [sum(contour.low[start : start + steps]) / steps for start in starts if start + steps <= len(contour.low)]
        usual = sorted(low)[len(low) * 4 // 5] if low else 0.0
        if usual > 0:
            return next((bar for bar, value in enumerate(low) if value >= _LOW_SHARE * usual), None)
        return next((bar for bar, value in enumerate(energy) if value >= 0.35 * max(energy)), None)

    def _voices(self) -> list[_Place]:
        """Where somebody likely begins to sing, on the beat before it."""
        beats = self.grid.beats_us
        places = []
        for region in self.analysis.voice:
            beat = max(0, bisect_right(beats, region.start_us) - 1)
            seconds = round((region.end_us - region.start_us) / 1e6)
            reason = f"likely vocal from here for {seconds} s"
            places.append(_Place(beats[beat], region.confidence, reason, float(region.end_us - region.start_us)))
        return places

    # Leaving

    def _exit_loop(self, slot: SlotRule) -> DraftMarker:
        """A loop near the end in a steady section, chosen by its seam."""
        bars = slot.loop_bars or 8
        loops = [
            loop for loop in self.analysis.loops if loop.bars == bars and loop.place == "exit" and self._may_leave(loop)
        ]
        if not loops:
            return self._exit_by_section(slot, bars)
        outros = self._sections("outro")
        ranked = sorted(loops, key=lambda loop: (-self._exit_score(loop, outros), loop.start_us))
        if slot.which == "first":
            best = ranked[0]
        elif slot.which == "last":
            best = max(ranked, key=lambda loop: loop.start_us)
        elif slot.which == "second":
            apart = [
                loop for loop in ranked[1:] if loop.start_us >= ranked[0].end_us or loop.end_us <= ranked[0].start_us
            ]
            if not apart:
                raise _Nothing("Only one stretch near the end is steady enough for a loop to leave by.")
            best = apart[0]
        else:
            best = max(ranked, key=lambda loop: (loop.seam, -loop.start_us))
        in_outro = any(outro.start_us <= best.start_us < outro.end_us for outro in outros)
        where = "in the outro" if in_outro else "near the end, where the level is steady"
        place = _Place(best.start_us, (0.9 if in_outro else 0.7), f"{_bars(bars)} {where}", best.seam)
        return self._marker(slot, place)

    def _may_leave(self, loop: Loop) -> bool:
        middle = (loop.start_us + loop.end_us) / 2
        home = next((item for item in self.analysis.sections if item.start_us <= middle < item.end_us), None)
        if (
            home is None
            or home.role in ("intro", "breakdown", "build-up")
            or loop.start_us < home.start_us
            or loop.end_us > home.end_us
        ):
            return False
        return home.role == "outro" or loop.start_us >= self.analysis.duration_us * 0.6

    def _exit_score(self, loop: Loop, outros: Sequence[Section]) -> float:
        """Seam first; a loop in the outro, at its start or on a phrase of it, is easier to count."""
        for outro in outros:
            if outro.start_us <= loop.start_us < outro.end_us:
                grid = self.grid
                inside = round((grid.position(loop.start_us) - grid.position(outro.start_us)) / grid.per_bar)
                count = 0.2 if inside == 0 else 0.15 if inside % 8 == 0 else 0.08 if inside % 4 == 0 else 0.0
                return _worth(loop) + (1.0 if loop.rank <= _NATURAL_RANK else 0.2) + count
        return _worth(loop)

    def _exit_by_section(self, slot: SlotRule, bars: int) -> DraftMarker:
        for outro in self._sections("outro"):
            end = self.grid.time_us(self.grid.position(outro.start_us) + bars * self.grid.per_bar)
            if end <= outro.end_us:
                reason = f"start of the outro; the seam of a loop of {_bars(bars)} was not measured"
                return self._marker(slot, _Place(outro.start_us, 0.5, reason, 0.0))
        raise _Nothing(f"No steady stretch of {_bars(bars)} was found near the end, inside one section.")


_LEFT_TO_EARS = {
    "free": "This slot is free: it is for what the member hears, so the analysis leaves it open.",
    "riff": "Riffs are not detected yet, so this slot waits for ears.",
}

_NEVER_AGAIN = {
    "breakdown": "the low end never leaves for long after the one at {}",
    "build-up": "nothing rises into a drop after the one at {}",
    "drop": "kick and low end never return together after the one at {}",
    "mix-in": "no section with a beat begins between {} and the first drop",
    "vocal": "nobody sings again after {}",
}


def _worth(loop: Loop) -> float:
    """What a loop is worth by how it joins (the weights of ``seams.loop_worth``, kept here for the standard library's
    sake)."""
    return 0.5 * loop.seam + 0.8 * (1.0 - loop.rank)


def _seam_words(loop: Loop) -> str:
    """How a loop joins, against what the track's own bar lines do."""
    smaller = round(100 * (1.0 - loop.rank))
    return f"its seam steps less than {smaller} % of the track's own bar lines"


def _of(section: Section) -> _Place:
    return _Place(section.start_us, section.confidence, section.reason, section.energy)


def _bars(count: int) -> str:
    return f"{count} bar" if count == 1 else f"{count} bars"


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")
