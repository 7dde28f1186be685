"""What a list would change: each line with its track and its fate, each track with its new tags and its old markers.

A plan is made anew each time it is looked at, and its digest names it, so that what is applied is what was seen.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import PurePosixPath
from uuid import UUID

from analysis_worker.core.text import clean_file_name, clean_text
from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.common.errors import DomainError
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crews.models import Membership
from crewprep.exchange.list_columns import ListMapping, check_mapping, parse_number, parse_time
from crewprep.exchange.list_reading import Row, Table
from crewprep.exchange.models import ListImport
from crewprep.sheets.markers import MarkerInput, check_markers
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Copy, Track
from crewprep.tracks.rules import may_edit_tags
from crewprep.tracks.selectors import tracks_of
from crewprep.tracks.tags import Tags

_MOST_BEATS = 1_024


class _WrongError(Exception):
    """A line cannot be used; the sentence says why."""


@dataclass(slots=True)
class Line:
    """A line of the list: its track where one was found, what it says, and why it cannot be used."""

    number: int
    cells: tuple[str, ...]
    track: Track | None = None
    tags: Tags | None = None
    markers: list[MarkerInput] = field(default_factory=list)
    problem: str = ""

    @property
    def words(self) -> str:
        """What it would do, in words."""
        said = []
        if self.tags is not None:
            said.append(f"tags “{self.tags.title}”" + (f" by “{self.tags.artist}”" if self.tags.artist else ""))
        said += [
            f"slot {marker.slot} at {clock(marker.start_us)}" + (f" to {clock(marker.end_us)}" if marker.end_us else "")
            for marker in self.markers
        ]
        return ", ".join(said) or "nothing new"


@dataclass(frozen=True, slots=True)
class TrackPlan:
    """What would change of a track."""

    track: Track
    seen: Tags
    tags: Tags | None
    markers: tuple[MarkerInput, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """All lines and what comes of them."""

    lines: tuple[Line, ...]
    tracks: tuple[TrackPlan, ...]
    digest: str

    @property
    def wrong(self) -> list[Line]:
        """The lines that cannot be used."""
        return [line for line in self.lines if line.problem]

    @property
    def counts(self) -> dict[str, int]:
        """Numbers for a sentence: lines, wrong lines, tracks with new tags, tracks with markers, markers."""
        return {
            "lines": len(self.lines),
            "wrong": len(self.wrong),
            "tags": sum(plan.tags is not None for plan in self.tracks),
            "tracks": sum(bool(plan.markers) for plan in self.tracks),
            "markers": sum(len(plan.markers) for plan in self.tracks),
        }


def plan_for(member: Membership, row: ListImport, table: Table) -> Plan:
    """The plan of a list as it is mapped; raises ``Invalid`` where the mapping cannot be used."""
    mapping, version = ListMapping.of(row.mapping), row.convention_version
    slots = {slot.number: slot for slot in version.slots.all()}
    check_mapping(mapping, len(table.header), list(slots.values()))
    planner = _Planner(member, mapping, version, slots)
    lines = [planner.read(row) for row in table.rows]
    tracks = planner.settle(lines)
    return Plan(tuple(lines), tuple(tracks), _digest(row, lines, tracks))


class _Planner:
    """Reads line by line; knows the library by the names that a list may use."""

    def __init__(
        self, member: Membership, mapping: ListMapping, version: ConventionVersion, slots: Mapping[int, Slot]
    ) -> None:
        self.member, self.mapping, self.version, self.slots = member, mapping, version, slots
        self.places = {role: index for index, role in enumerate(mapping.columns) if role}
        self.library = _Library(member)
        self.facts: dict[UUID, Analysis] = {}
        self.grids: dict[UUID, MusicalTime] = {}
        self.kept: set[UUID] = set()
        if any(role.startswith("start") for role in self.places):
            analyses = Analysis.objects.filter(crew=member.crew).defer("facts").order_by("created_at")
            self.facts = {analysis.track_id: analysis for analysis in analyses}
            kept = KeptSheet.objects.filter(crew=member.crew, member=member.user, convention_version=version)
            self.kept = set(kept.values_list("track_id", flat=True))

    def read(self, row: Row) -> Line:
        """A line with its track, tags and markers; or with what is wrong."""
        line = Line(row.line, row.cells)
        try:
            if row.extra:
                raise _WrongError("It has more cells than the first line names columns. Put quotes around commas.")
            found = self.library.find(self._cell(row, "pcm"), self._cell(row, "file"), *self._names(row))
            line.track, by_its_tags = found
            line.tags = None if by_its_tags else self._tags(row, line.track)
            line.markers = self._markers(row, line.track)
        except _WrongError as error:
            line.problem = str(error)
        except DomainError as error:
            line.problem = error.sentence
        return line

    def settle(self, lines: Sequence[Line]) -> list[TrackPlan]:
        """Put the lines of each track together; where one is wrong, none of that track's is used."""
        by_track: dict[UUID, list[Line]] = defaultdict(list)
        for line in lines:
            if line.track is not None:
                by_track[line.track.pk].append(line)
        return [plan for group in by_track.values() if (plan := self._settle_one(group)) is not None]

    def _settle_one(self, lines: Sequence[Line]) -> TrackPlan | None:
        track = lines[0].track
        assert track is not None
        markers = [marker for line in lines for marker in line.markers]
        tags = list(dict.fromkeys(line.tags for line in lines if line.tags is not None))
        if not any(line.problem for line in lines):
            try:
                if len(tags) > 1:
                    raise _WrongError("The lines of this track give it different tags.")
                if markers and track.pk in self.kept:
                    raise _WrongError("You have unproposed work on this track. Propose it first, or clear it.")
                if markers:
                    markers = check_markers(
                        markers, version=self.version, duration_us=self.facts[track.pk].duration_us
                    )  # fmt: skip
            except _WrongError as error:
                lines[-1].problem = str(error)
            except DomainError as error:
                lines[-1].problem = error.sentence
        wrong = next((line for line in lines if line.problem), None)
        if wrong is not None:
            for line in lines:
                line.problem = line.problem or f"Left out with line {wrong.number}, which is of the same track."
            return None
        if not tags and not markers:
            return None
        return TrackPlan(track, Tags(track.title, track.artist), tags[0] if tags else None, tuple(markers))

    def _cell(self, row: Row, role: str) -> str:
        place = self.places.get(role)
        return "" if place is None else row.cells[place].strip()

    def _names(self, row: Row) -> tuple[str, str | None]:
        """Title and artist; None for an artist that the list does not tell."""
        return self._cell(row, "title"), self._cell(row, "artist") if "artist" in self.places else None

    def _tags(self, row: Row, track: Track) -> Tags | None:
        """The tags that the line would give its track, where they are others."""
        title, artist = self._names(row)
        if not self.mapping.write_tags or not (title or artist):
            return None
        new = Tags.of(title or track.title, artist or track.artist)
        if new == Tags(track.title, track.artist):
            return None
        may_edit_tags(self.member, track).require()
        return new

    def _markers(self, row: Row, track: Track) -> list[MarkerInput]:
        found = []
        if "slot" in self.places and (self._cell(row, "slot") or self._cell(row, "start")):
            number = parse_number(self._cell(row, "slot"))
            if number is None or number != int(number):
                raise _WrongError(f"“{self._cell(row, 'slot')[:40]}” is not a slot's number.")
            found.append(self._marker(row, track, int(number), ""))
        found += [
            self._marker(row, track, number, f":{number}")
            for number in self.slots
            if self._cell(row, f"start:{number}")
        ]
        return found

    def _marker(self, row: Row, track: Track, number: int, suffix: str) -> MarkerInput:
        if track.pk not in self.facts:
            raise _WrongError("The track is not analysed yet. Wait for the worker, then look again.")
        if number not in self.slots:
            raise _WrongError(f"Slot {number} is not in the convention, which has slots 1 to {len(self.slots)}.")
        slot = self.slots[number]
        start_us = self._time(row, f"start{suffix}")
        end_text, beats_text = self._cell(row, f"end{suffix}"), self._cell(row, f"beats{suffix}")
        end_us: int | None = None
        if end_text:
            end_us = self._time(row, f"end{suffix}")
        elif slot.kind == "loop":
            end_us = self._loop_end(track, start_us, beats_text, slot)
        label = clean_text(self._cell(row, "label"))[:60] if not suffix else ""
        marker = MarkerInput(number, start_us, end_us, label)
        return self._snapped(track, marker, slot) if self.mapping.snap else marker

    def _time(self, row: Row, role: str) -> int:
        text = self._cell(row, role)
        time_us = parse_time(text, self.mapping.unit)
        if time_us is None:
            raise _WrongError(f"“{text[:40]}” is not a time in the unit that was chosen.")
        return time_us + self.mapping.shift_ms * 1_000

    def _grid(self, track: Track) -> MusicalTime:
        if track.pk not in self.grids:
            self.grids[track.pk] = MusicalTime.of(self.facts[track.pk].result)
        return self.grids[track.pk]

    def _loop_end(self, track: Track, start_us: int, beats_text: str, slot: Slot) -> int:
        grid = self._grid(track)
        if not beats_text:
            return grid.loop_end(start_us, slot.loop_bars or 1)
        beats = parse_number(beats_text)
        if beats is None or not 0 < beats <= _MOST_BEATS:
            raise _WrongError(f"“{beats_text[:40]}” is not a number of beats.")
        if grid.timed:
            raise _WrongError("The track has no grid to count beats on. Give the loop's end as a time.")
        return min(grid.time(grid.position(start_us) + float(beats)), grid.duration_us)

    def _snapped(self, track: Track, marker: MarkerInput, slot: Slot) -> MarkerInput:
        grid = self._grid(track)
        if grid.timed:
            return marker
        start_us = _nearest(grid, marker.start_us, slot.snap_beats)
        end_us = None if marker.end_us is None else _nearest(grid, marker.end_us, slot.snap_beats)
        return MarkerInput(marker.slot, start_us, end_us, marker.label)


class _Library:
    """The crew's tracks by what a list may call them."""

    def __init__(self, member: Membership) -> None:
        self.by_pcm: dict[str, set[UUID]] = defaultdict(set)
        self.by_file: dict[str, set[UUID]] = defaultdict(set)
        self.by_stem: dict[str, set[UUID]] = defaultdict(set)
        self.by_name: dict[tuple[str, str], set[UUID]] = defaultdict(set)
        self.by_title: dict[str, set[UUID]] = defaultdict(set)
        self.tracks = {track.pk: track for track in tracks_of(member)}
        for track in self.tracks.values():
            self.by_name[_key(track.title, track.artist)].add(track.pk)
            self.by_title[_plain(track.title)].add(track.pk)
        copies = Copy.objects.filter(crew=member.crew, track__same_as=None)
        for track_id, name, pcm in copies.values_list("track_id", "original_name", "pcm_sha256"):
            self.by_file[_plain(name)].add(track_id)
            self.by_stem[_plain(PurePosixPath(name).stem)].add(track_id)
            if pcm:
                self.by_pcm[pcm].add(track_id)

    def find(self, pcm: str, file: str, title: str, artist: str | None) -> tuple[Track, bool]:
        """The one track that fits, and whether it was found by its tags; raises ``_WrongError`` where none or several
        do."""
        looks: list[Collection[UUID]] = [self.by_pcm.get(pcm.casefold(), ())] if pcm else []
        if file:
            name = clean_file_name(file)
            looks += [self.by_file.get(_plain(name), ()), self.by_stem.get(_plain(PurePosixPath(name).stem), ())]
        if title:
            by_title = self.by_title.get(_plain(title), ())
            looks.append(by_title if artist is None else self.by_name.get(_key(title, artist), ()))
        for number, look in enumerate(looks, start=1):
            if len(look) == 1:
                return self.tracks[next(iter(look))], bool(title) and number == len(looks)
        several = max(map(len, looks), default=0)
        called = " by ".join(part for part in (title, artist) if part) or file or pcm
        if several:
            raise _WrongError(f"{several} tracks of the library fit “{called[:80]}”. Tell them apart by file name.")
        if not called:
            raise _WrongError("It names no track.")
        raise _WrongError(f"No track of the library fits “{called[:80]}”. Bring its audio in first.")


def _plain(text: str) -> str:
    return clean_text(text).casefold()


def _key(title: str, artist: str) -> tuple[str, str]:
    return _plain(title), _plain(artist)


def _nearest(grid: MusicalTime, time_us: int, snap_beats: float) -> int:
    position = round(grid.position(time_us) / snap_beats) * snap_beats
    return min(max(grid.time(position), 0), grid.duration_us)


def _digest(row: ListImport, lines: Sequence[Line], tracks: Sequence[TrackPlan]) -> str:
    whole = {
        "list": row.sha256,
        "version": str(row.convention_version_id),
        "mapping": row.mapping,
        "wrong": [[line.number, line.problem] for line in lines if line.problem],
        "tracks": [
            [
                str(plan.track.pk),
                asdict(plan.seen),
                None if plan.tags is None else asdict(plan.tags),
                [asdict(marker) for marker in plan.markers],
            ]
            for plan in tracks
        ],
    }
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()
