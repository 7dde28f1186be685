"""Where members who marked the same tracks unseen went apart, slot by slot (pure; no Django).

Every pair of members is compared on every track that both handed in, in beats of that track's grid:

============ ==========================================================================================================
exact        within a quarter of a beat
bar          within a bar
phrase       whole phrases apart, within a beat
elsewhere    anything else
missing      one of the two set a marker, the other none
both empty   neither set one
============ ==========================================================================================================

A slot's wording is judged by its share of pairs that are **not within a bar**, of those where at least one of the two
set a marker: that both left a slot empty shows nothing of how its place is found. Slots are put in order by the lower
end of that share's interval (``figures.wilson``), so that one bad pair of two does not outrank nine of twelve. Pairs of
more than two members share their markers, so the interval is a little too narrow then.

Cohen's kappa is over **places**: markers of either member within a beat of the earliest of them are at one place, its
label is the function that was set there, or ``NOTHING``. As no place is one where neither set anything, the figure is
on the strict side. It is the mean over pairs of members. Krippendorff's alpha is nominal over the places of all members
together, and interval over positions in beats, a unit being a slot of a track.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Literal, get_args
from uuid import UUID

from crewprep.analysis.musical_time import MusicalTime
from crewprep.onboarding.agreement import cohen_kappa, krippendorff_alpha
from crewprep.onboarding.figures import NOTHING, Share
from crewprep.onboarding.scoring import BEAT, QUARTER, ROUND, Marked, phrases_off

Relation = Literal["exact", "bar", "phrase", "elsewhere", "missing", "both empty"]
RELATIONS: tuple[Relation, ...] = get_args(Relation)
APART: frozenset[Relation] = frozenset({"phrase", "elsewhere", "missing"})

LEAST_ITEMS = 20
"""No coefficient is told below so many items: our choice, as its interval would be wider than what it tells."""


@dataclass(frozen=True, slots=True)
class TrackMarked:
    """A track as it was marked: its grid, and the markers of each member who handed it in."""

    track: UUID
    time: MusicalTime
    markers: Mapping[int, Sequence[Marked]]


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A figure of agreement; None below ``LEAST_ITEMS`` items, and where all said the same one thing throughout."""

    value: float | None
    items: int

    @property
    def enough(self) -> bool:
        """Whether there are items enough to tell it."""
        return self.items >= LEAST_ITEMS


@dataclass(frozen=True, slots=True)
class Pair:
    """One slot as two members marked one track; a start in microseconds is None where they set no marker."""

    track: UUID
    slot: int
    first: int
    second: int
    relation: Relation
    first_us: int | None
    second_us: int | None
    beats: float | None
    phrases: int | None

    @property
    def apart(self) -> bool:
        """Whether they are not within a bar."""
        return self.relation in APART


@dataclass(frozen=True, slots=True)
class SlotAgreement:
    """How often members agreed on one slot. ``apart`` are the pairs that did not, furthest first."""

    slot: int
    counts: Mapping[Relation, int]
    alpha: Coefficient
    apart: tuple[Pair, ...]

    @property
    def share_apart(self) -> Share:
        """Pairs not within a bar, of those where at least one set a marker."""
        return Share(len(self.apart), sum(self.counts.values()) - self.counts["both empty"])


@dataclass(frozen=True, slots=True)
class Disagreement:
    """The whole comparison. ``kappa_pairs`` is how many pairs of members its mean is over."""

    slots: tuple[SlotAgreement, ...]
    kappa: Coefficient
    kappa_pairs: int
    alpha_functions: Coefficient
    alpha_positions: Coefficient

    @property
    def worst(self) -> list[SlotAgreement]:
        """Slots on which any pair is apart: by the lower end of the share, highest first, then share and number."""
        return sorted(
            (one for one in self.slots if one.apart),
            key=lambda one: (-one.share_apart.interval.low, -(one.share_apart.value or 0), one.slot),
        )


def disagreement(tracks: Sequence[TrackMarked], functions: Mapping[int, str]) -> Disagreement:
    """Compare what was handed in; ``functions`` are those of the slots, in the order that the slots are told.

    Neither the order of tracks, members or markers nor who is called first changes a figure. Raises ``KeyError`` for a
    marker of a slot without a function.
    """
    pairs = [pair for one in tracks for slot in functions for pair in _pairs(one, slot)]
    kappas = list(_kappas(tracks, functions))
    counted = [(value, items) for value, items in kappas if items >= LEAST_ITEMS]
    told = [value for value, _ in counted if value is not None]
    kappa = Coefficient(
        fmean(sorted(told)) if told else None,
        sum(items for _, items in counted) or max((items for _, items in kappas), default=0),
    )
    labels = [
        tuple(place.get(member, NOTHING) for member in sorted(one.markers))
        for one in tracks
        if len(one.markers) > 1
        for place in _places(one, functions)
    ]
    positions = {slot: [unit for one in tracks if (unit := _positions(one, slot))] for slot in functions}
    return Disagreement(
        slots=tuple(
            _slot(slot, [pair for pair in pairs if pair.slot == slot], _interval(positions[slot])) for slot in functions
        ),
        kappa=kappa,
        kappa_pairs=len(told) or len(kappas),
        alpha_functions=_coefficient(krippendorff_alpha(labels, "nominal"), len(labels)),
        alpha_positions=_interval([unit for units in positions.values() for unit in units]),
    )


def relation(
    first_us: int | None, second_us: int | None, time: MusicalTime
) -> tuple[Relation, float | None, int | None]:
    """What two starts are to each other, with the beats and the whole phrases between them."""
    if first_us is None or second_us is None:
        return ("both empty" if first_us is second_us else "missing"), None, None
    at, there = sorted((time.position(first_us), time.position(second_us)))
    beats = there - at
    if beats <= QUARTER + ROUND:
        return "exact", beats, None
    if beats <= time.beats_per_bar + ROUND:
        return "bar", beats, None
    phrases = phrases_off(there, at, time)
    return ("elsewhere" if phrases is None else "phrase"), beats, phrases


def _pairs(one: TrackMarked, slot: int) -> Iterator[Pair]:
    starts = {member: _start(markers, slot) for member, markers in one.markers.items()}
    for first, second in itertools.combinations(sorted(starts), 2):
        kind, beats, phrases = relation(starts[first], starts[second], one.time)
        yield Pair(one.track, slot, first, second, kind, starts[first], starts[second], beats, phrases)


def _start(markers: Sequence[Marked], slot: int) -> int | None:
    return next((marker.start_us for marker in markers if marker.slot == slot), None)


def _slot(slot: int, pairs: Sequence[Pair], alpha: Coefficient) -> SlotAgreement:
    counts = Counter(pair.relation for pair in pairs)
    apart = sorted(
        (pair for pair in pairs if pair.apart),
        key=lambda pair: (pair.beats is None, -(pair.beats or 0), pair.track, pair.first, pair.second),
    )
    return SlotAgreement(slot, {kind: counts[kind] for kind in RELATIONS}, alpha, tuple(apart))


def _places(one: TrackMarked, functions: Mapping[int, str]) -> list[dict[int, str]]:
    """What each member set at each place, without those who set nothing there."""
    marks = sorted(
        (one.time.position(marker.start_us), member, functions[marker.slot])
        for member, markers in one.markers.items()
        for marker in markers
    )
    places: list[dict[int, set[str]]] = []
    begins = float("-inf")
    for at, member, function in marks:
        if at - begins > BEAT + ROUND:
            places.append({})
            begins = at
        places[-1].setdefault(member, set()).add(function)
    return [{member: " and ".join(sorted(found)) for member, found in place.items()} for place in places]


def _kappas(tracks: Sequence[TrackMarked], functions: Mapping[int, str]) -> Iterator[tuple[float | None, int]]:
    """The kappa of each pair of members, and over how many places."""
    members = sorted({member for one in tracks for member in one.markers})
    for first, second in itertools.combinations(members, 2):
        places = [
            place
            for one in tracks
            if first in one.markers and second in one.markers
            for place in _places(
                TrackMarked(one.track, one.time, {who: one.markers[who] for who in (first, second)}), functions
            )
        ]
        said = [[place.get(who, NOTHING) for place in places] for who in (first, second)]
        yield cohen_kappa(*said), len(places)


def _positions(one: TrackMarked, slot: int) -> tuple[float, ...]:
    """The positions of one slot of a track; none where fewer than two members marked it."""
    starts = sorted(start for markers in one.markers.values() if (start := _start(markers, slot)) is not None)
    return tuple(one.time.position(start) for start in starts) if len(starts) > 1 else ()


def _interval(units: Sequence[tuple[float, ...]]) -> Coefficient:
    # In one order, so that sums do not depend on the order of the tracks.
    return _coefficient(krippendorff_alpha(sorted(units), "interval"), len(units))


def _coefficient(value: float | None, items: int) -> Coefficient:
    return Coefficient(value if items >= LEAST_ITEMS else None, items)
