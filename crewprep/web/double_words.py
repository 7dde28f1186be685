"""The report of a double marking as its page shows it: figures in words, places to hear."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.urls import reverse

from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.conventions.models import Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.disagreement import LEAST_ITEMS, RELATIONS, Coefficient, Pair, SlotAgreement
from crewprep.onboarding.double_report import Report
from crewprep.onboarding.figures import Share
from crewprep.web.track_parts import gain_for
from crewprep.web.words import count_of, distance_words, percent

HEARD_BARS = 2
MOST_PAIRS = 6
"""So many pairs a slot are shown, the furthest apart first; the file has all."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where one member set a slot: in words, and the piece of the track to hear (empty where there is none)."""

    who: str
    words: str
    clip: str


@dataclass(frozen=True, slots=True)
class PairLine:
    """Two members on one track. ``gain_db`` brings it to the common listening level."""

    track: UUID
    title: str
    words: str
    places: tuple[Place, Place]
    gain_db: float

    @property
    def clips(self) -> str:
        """Both pieces for the script, where there are two."""
        clips = [place.clip for place in self.places if place.clip]
        return " ".join(clips) if len(clips) == len(self.places) else ""


@dataclass(frozen=True, slots=True)
class WorstLine:
    """A slot to talk about."""

    slot: Slot
    share: str
    interval: str
    pairs: tuple[PairLine, ...]
    more: int


@dataclass(frozen=True, slots=True)
class SlotLine:
    """A slot in the table: how often each relation, in the order of ``RELATIONS``."""

    slot: Slot
    counts: tuple[int, ...]
    share: str
    alpha: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A coefficient in words, and what it is about."""

    name: str
    value: str
    about: str


def figures_of(report: Report) -> list[Figure]:
    """The coefficients over the whole marking."""
    found = report.found
    pairs = f"mean over {count_of(found.kappa_pairs, 'pair')} of members, " if found.kappa_pairs > 1 else ""
    return [
        Figure("Functions, Cohen’s kappa", coefficient(found.kappa), f"{pairs}{_items(found.kappa, 'place')}"),
        Figure("Functions, Krippendorff’s alpha", coefficient(found.alpha_functions),
               _items(found.alpha_functions, "place")),
        Figure("Positions, Krippendorff’s alpha", coefficient(found.alpha_positions),
               _items(found.alpha_positions, "slot of a track", "slots of tracks")),
    ]  # fmt: skip


def coefficient(one: Coefficient) -> str:
    """``0.71``; ``12 of 20 items`` below that many; in words where all said one thing."""
    if not one.enough:
        return f"{one.items} of {LEAST_ITEMS} items"
    return "not defined: all the same" if one.value is None else f"{one.value:.2f}".replace("-", "−")


def _items(one: Coefficient, item: str, items: str = "") -> str:
    return (
        f"{count_of(one.items, item, items)} that two or more can be compared on" if one.enough else "too few to tell"
    )


def share_words(share: Share) -> str:
    """``9 of 12``; a dash where nothing was compared."""
    return f"{share.successes} of {share.trials}" if share.trials else "–"


def worst_of(member: Membership, report: Report) -> list[WorstLine]:
    """The slots that the crew disagrees on, worst first."""
    return [_worst(member, report, one) for one in report.found.worst]


def _worst(member: Membership, report: Report, one: SlotAgreement) -> WorstLine:
    share = one.share_apart
    return WorstLine(
        slot=report.slots[one.slot],
        share=f"{share.successes} of {count_of(share.trials, 'pair')}",
        interval=f"{percent(share.value or 0)}, 95 % interval {percent(share.interval.low)} to "
        f"{percent(share.interval.high)}",
        pairs=tuple(_pair(member, report, pair) for pair in one.apart[:MOST_PAIRS]),
        more=max(0, len(one.apart) - MOST_PAIRS),
    )


def _pair(member: Membership, report: Report, pair: Pair) -> PairLine:
    grid = report.grids[pair.track]
    copy = report.copies.get(pair.track)
    heard = copy is not None and bool(copy.proxy_key)
    first, second = (
        _place(member, pair.track, grid, str(report.people[who]), start_us, heard)
        for who, start_us in ((pair.first, pair.first_us), (pair.second, pair.second_us))
    )
    return PairLine(
        track=pair.track,
        title=str(report.tracks[pair.track]),
        words=_apart(pair, grid),
        places=(first, second),
        gain_db=gain_for(report.analyses[pair.track].loudness_lufs, copy) if copy else 0.0,
    )


def _apart(pair: Pair, grid: MusicalTime) -> str:
    if pair.first_us is None or pair.second_us is None:
        return "one of them set no marker"
    if pair.phrases is not None:
        return f"{count_of(abs(pair.phrases), 'whole phrase')} apart"
    early, late = sorted((pair.first_us, pair.second_us))
    return f"{distance_words(grid, early, late).removesuffix(' later')} apart"


def _place(member: Membership, track: UUID, grid: MusicalTime, who: str, start_us: int | None, heard: bool) -> Place:
    if start_us is None:
        return Place(who, "nothing", "")
    words = clock(start_us) if grid.timed else f"{grid.address(start_us)}, {clock(start_us)}"
    piece = [member.crew.slug, track, start_us, grid.loop_end(start_us, HEARD_BARS)]
    return Place(who, words, reverse("track-clip", args=piece) if heard else "")


def slot_lines(report: Report) -> list[SlotLine]:
    """Every slot, in the order of the convention."""
    return [
        SlotLine(
            report.slots[one.slot],
            tuple(one.counts[kind] for kind in RELATIONS),
            share_words(one.share_apart),
            coefficient(one.alpha),
        )
        for one in report.found.slots
    ]
