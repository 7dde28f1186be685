"""The board of a night: its crates in numbers, the work against the days, who holds what, what is in the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from crewprep.crates.models import Crate, Night
from crewprep.crews.models import User
from crewprep.readiness.risk import Risk, by_risk
from crewprep.readiness.selectors import NightPlace, night_places
from crewprep.readiness.standing import STATES, Standing, standings_of


@dataclass(frozen=True, slots=True)
class CrateLine:
    """A crate: how many of its tracks are in which state (every state, in order), and the minutes that they need."""

    crate: Crate
    counts: dict[str, int]
    minutes: float

    @property
    def tracks(self) -> int:
        """How many tracks it has."""
        return sum(self.counts.values())

    @property
    def approved(self) -> int:
        """How many are ready."""
        return self.counts["approved"]


@dataclass(frozen=True, slots=True)
class AtRisk:
    """An open track and why it may not be ready, the worst reason first."""

    standing: Standing
    risks: tuple[Risk, ...]


@dataclass(frozen=True, slots=True)
class Held:
    """A member and the open tracks that they hold now."""

    holder: User
    standings: tuple[Standing, ...]


@dataclass(frozen=True, slots=True)
class Board:
    """A night at one moment. A track that is in two crates counts once in ``tracks``, ``open`` and ``minutes``, and is
    open until both have its sheet; it counts in each crate's line.
    """

    night: Night
    places: Sequence[NightPlace]
    crates: tuple[CrateLine, ...]
    tracks: int
    open: int
    minutes: float
    at_risk: tuple[AtRisk, ...]
    held: tuple[Held, ...]
    blocked: tuple[Standing, ...]

    @property
    def minutes_a_day(self) -> float:
        """Minutes of work for each day that is left; all of them where none is."""
        return self.minutes / max(1, self.night.days_left)


def board_of(night: Night) -> Board:
    """Read the board: at most twenty-one queries for any number of tracks (four more for each further version)."""
    rows = night.crates.select_related("convention_version__convention").order_by("created_at", "pk")
    crates = {crate.pk: crate for crate in rows}
    # A crate that comes to the night meanwhile is on the next board.
    places = [place for place in night_places(night) if place.crate in crates]
    standings = standings_of(night, crates, places)
    return Board(
        night=night,
        places=places,
        crates=tuple(_lines(crates, places, standings)),
        tracks=len({place.track for place in places}),
        open=len({one.place.track_id for one in standings if one.open}),
        minutes=_minutes(standings),
        at_risk=tuple(AtRisk(one, risks) for one, risks in by_risk(standings)),
        held=tuple(_held(standings)),
        blocked=tuple(one for one in standings if one.blockers or one.state == "returned"),
    )


def _lines(
    crates: Mapping[UUID, Crate], places: Iterable[NightPlace], standings: Iterable[Standing]
) -> Iterable[CrateLine]:
    ready = Counter(place.crate for place in places if place.ready_since is not None)
    counts: dict[UUID, Counter[str]] = {key: Counter(approved=ready[key]) for key in crates}
    minutes: dict[UUID, float] = dict.fromkeys(crates, 0.0)
    for one in standings:
        if one.open:
            counts[one.place.crate_id][one.state] += 1
            minutes[one.place.crate_id] += one.minutes
    for key, crate in crates.items():
        yield CrateLine(crate, {state: counts[key][state] for state in STATES}, minutes[key])


def _minutes(standings: Iterable[Standing]) -> float:
    """One sheet serves every crate of its version, so such places of a track are worked on once."""
    needed = {(one.place.track_id, one.place.crate.convention_version_id): one.minutes for one in standings}
    return sum(needed.values())


def _held(standings: Iterable[Standing]) -> Iterable[Held]:
    people: dict[int, User] = {}
    holds: dict[int, dict[UUID, Standing]] = {}
    for one in standings:
        if one.open and one.holder is not None and not one.lapsed:
            people[one.holder.pk] = one.holder
            holds.setdefault(one.holder.pk, {}).setdefault(one.place.track_id, one)
    for key in sorted(holds, key=lambda key: (-len(holds[key]), str(people[key]))):
        yield Held(people[key], tuple(holds[key].values()))
