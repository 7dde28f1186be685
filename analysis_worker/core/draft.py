"""A draft sheet: markers suggested for one track by the rules of one convention.

Knows slot rules and no convention. Each function has a list of places in the track (``draft_places``); a slot's
``which`` picks one. Places are beat positions, moved by the slot's lead and pulled to its grid fraction. Every slot is
marked with a confidence and a reason, or listed as empty with a reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis_worker.core.convention import ConventionRules, SlotRule
from analysis_worker.core.draft_places import BeatGrid, Place, Places, in_bars
from analysis_worker.core.results import Draft, DraftMarker, EmptySlot, Loop, Section, TrackAnalysis
from analysis_worker.core.units import clock

_ORDINALS = {"first": 0, "second": 1}
_UNKNOWN_SEAM = 0.4
_NATURAL_RANK = 0.9


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


class _Drafter:
    def __init__(self, analysis: TrackAnalysis) -> None:
        self.analysis = analysis
        self.grid = BeatGrid(analysis)
        self.places = Places(analysis, self.grid)
        self.trust = 0.5 + 0.5 * min(analysis.grid_confidence, analysis.downbeat_confidence)
        """What every confidence is scaled by: a marker is no surer than the grid that it stands on."""

    def mark(self, slot: SlotRule) -> DraftMarker:
        if slot.function in _LEFT_TO_EARS:
            raise _Nothing(_LEFT_TO_EARS[slot.function])
        if len(self.analysis.beats_us) < 2 or not self.analysis.downbeats_us:
            raise _Nothing("No beat was found in this track, so there is no grid to place a marker on.")
        if slot.function == "exit loop":
            return self._exit_loop(slot)
        place = self._pick(slot, self.places.of(slot))
        return self._marker(slot, place)

    def _marker(self, slot: SlotRule, place: Place) -> DraftMarker:
        grid = self.grid
        position = grid.snapped(grid.position(place.start_us), slot.snap_beats)
        reason, confidence = place.reason, place.confidence
        if slot.lead_bars:
            position, exist = self._lead(position, slot.lead_bars)
            if exist < slot.lead_bars:
                reason += f"; the track has only {exist} of the {slot.lead_bars} bars of lead before it"
                confidence *= 0.7
            else:
                reason += f"; placed {in_bars(slot.lead_bars)} before it"
        start_us = self._inside(grid.time_us(position))
        if slot.kind == "point":
            return DraftMarker(slot.number, start_us, None, self._sure(confidence), reason)
        assert slot.loop_bars is not None
        position = grid.snapped(position, max(1.0, slot.snap_beats))
        start_us = self._inside(grid.time_us(position))
        end_us = grid.time_us(position + slot.loop_bars * grid.per_bar)
        if end_us > self.analysis.duration_us:
            raise _Nothing(
                f"A loop of {in_bars(slot.loop_bars)} does not fit between {clock(start_us)} and the end of the track."
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

    def _pick(self, slot: SlotRule, places: Sequence[Place]) -> Place:
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

    def _strongest(self, slot: SlotRule, places: Sequence[Place]) -> Place:
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

    def _lead_of(self, best: Place, rival: Place) -> str:
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

    # Leaving

    def _exit_loop(self, slot: SlotRule) -> DraftMarker:
        """A loop near the end in a steady section, chosen by its seam."""
        bars = slot.loop_bars or 8
        loops = [
            loop for loop in self.analysis.loops if loop.bars == bars and loop.place == "exit" and self._may_leave(loop)
        ]
        if not loops:
            return self._exit_by_section(slot, bars)
        outros = self.places.sections("outro")
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
        place = Place(best.start_us, (0.9 if in_outro else 0.7), f"{in_bars(bars)} {where}", best.seam)
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
        for outro in self.places.sections("outro"):
            end = self.grid.time_us(self.grid.position(outro.start_us) + bars * self.grid.per_bar)
            if end <= outro.end_us:
                reason = f"start of the outro; the seam of a loop of {in_bars(bars)} was not measured"
                return self._marker(slot, Place(outro.start_us, 0.5, reason, 0.0))
        raise _Nothing(f"No steady stretch of {in_bars(bars)} was found near the end, inside one section.")


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


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")
