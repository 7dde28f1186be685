"""Where each slot of the convention can be heard: examples cut from the crew's own approved sheets.

Whoever hears an example has seen the markers of its track, so that no drill can use it any more. Hence few tracks
(``choose``, pure): at most ``MOST`` a slot, a third of the tracks where there are fewer than fifteen, the same tracks
for as many slots as they can serve, and never more than half of all. Of tracks that serve alike, the one whose tempo is
farthest from those chosen already, then the one that has had its sheet for longest: so the examples are the same for
everyone and stay the same as the crew goes on. Each is told by the newest sheet of its track that counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf, log2
from uuid import UUID

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crews.models import Membership
from crewprep.onboarding.slips import usual_slips
from crewprep.sheets.models import CountedSheet, SheetMarker, SheetVersion
from crewprep.tracks.models import Copy, Track

MOST = 5
"""Examples of one slot."""

LOOKED_AT = 60
"""Tracks that are chosen from: those that have had their sheet for longest."""

BEFORE_BARS, AFTER_BARS = 1, 4
LONGEST_US = 30_000_000

_ALIKE = 0.75
"""Of the slots that the best track would serve; one that serves so many may be taken for its tempo."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A track that examples may be cut from."""

    track_id: UUID
    slots: frozenset[int]
    tempo_bpm: float | None


@dataclass(frozen=True, slots=True)
class Example:
    """A slot of a track's sheet, and the piece to hear: a loop whole, a point from a bar before it. Times in µs."""

    track: Track
    sheet: int
    copy: Copy
    tempo_bpm: float | None
    loudness_lufs: float | None
    address: str
    start_us: int
    end_us: int | None
    from_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class SlotExamples:
    """A slot with its usual slips and where it can be heard."""

    slot: Slot
    slips: list[str]
    examples: list[Example]


@dataclass(frozen=True, slots=True)
class Examples:
    """Every slot of a version. ``tracks`` are those that examples are cut from, ``left`` how many more have a sheet."""

    slots: list[SlotExamples]
    tracks: list[UUID]
    left: int


def choose(candidates: Sequence[Candidate], wanted: Iterable[int], total: int | None = None) -> dict[int, list[UUID]]:
    """For every wanted slot the tracks to hear it in, from candidates in the order of preference.

    ``total`` is how many tracks have a sheet, where the candidates are not all of them.
    """
    total = len(candidates) if total is None else total
    a_slot, in_all = min(MOST, max(1, total // 3)), max(1, total // 2)
    found: dict[int, list[UUID]] = {slot: [] for slot in wanted}
    chosen: list[Candidate] = []
    left = list(candidates)
    while len(chosen) < in_all:
        lacking = {slot for slot, tracks in found.items() if len(tracks) < a_slot}
        best = max((len(one.slots & lacking) for one in left), default=0)
        if not best:
            break
        alike = [one for one in left if len(one.slots & lacking) >= _ALIKE * best]
        taken = max(alike, key=lambda one: _apart(one, chosen))  # of equals the first
        for slot in sorted(taken.slots & lacking):
            found[slot].append(taken.track_id)
        chosen.append(taken)
        left.remove(taken)
    return found


def _apart(one: Candidate, chosen: Sequence[Candidate]) -> float:
    """How far a track's tempo is from the nearest chosen one, in octaves; 0 where either has none."""
    distances = [
        abs(log2(one.tempo_bpm / other.tempo_bpm)) if one.tempo_bpm and other.tempo_bpm else 0.0 for other in chosen
    ]
    return min(distances, default=inf)


def examples_of(member: Membership, version: ConventionVersion) -> Examples:
    """The examples of a version; the number of queries does not follow the number of slots or tracks."""
    counted = CountedSheet.objects.filter(crew=member.crew, convention_version=version)
    total = counted.count()
    oldest = [row.track_id for row in counted.order_by("since", "pk")[:LOOKED_AT]]
    copies = {
        copy.track_id: copy for copy in Copy.objects.filter(track__in=oldest, is_reference=True).exclude(proxy_key="")
    }
    sheets = _sheets(copies, version)
    slots = list(version.slots.all())
    kinds = {slot.number: slot.kind for slot in slots}
    markers = _markers(sheets, kinds)
    tempos = dict(
        Analysis.objects.filter(pk__in=[sheet.analysis_id for sheet in sheets.values()])
        .order_by()
        .values_list("track_id", "tempo_bpm")
    )
    candidates = [
        Candidate(track, frozenset(markers[track]), tempos.get(track))
        for track in oldest
        if track in sheets and markers.get(track)
    ]
    found = choose(candidates, kinds, total)
    used = {track for tracks in found.values() for track in tracks}
    analyses = {
        analysis.track_id: analysis
        for analysis in Analysis.objects.filter(pk__in=[sheets[track].analysis_id for track in used])
    }
    grids = {track: MusicalTime.of(analysis.result) for track, analysis in analyses.items()}
    lines = [
        SlotExamples(
            slot,
            usual_slips(slot.function, slot.which, kind=slot.kind, lead_bars=slot.lead_bars),
            [
                _example(sheets[track], copies[track], analyses[track], grids[track], markers[track][slot.number])
                for track in found[slot.number]
            ],
        )
        for slot in slots
    ]
    return Examples(lines, [one.track_id for one in candidates if one.track_id in used], total - len(used))


def _sheets(tracks: Iterable[UUID], version: ConventionVersion) -> dict[UUID, SheetVersion]:
    """Of each track the sheet that counts: the newest by the version itself, else its newest."""
    found: dict[UUID, SheetVersion] = {}
    for sheet in SheetVersion.objects.filter(track__in=list(tracks)).select_related("track").order_by("number"):
        kept = found.get(sheet.track_id)
        if kept is None or sheet.convention_version_id == version.pk or kept.convention_version_id != version.pk:
            found[sheet.track_id] = sheet
    return found


def _markers(sheets: dict[UUID, SheetVersion], kinds: dict[int, str]) -> dict[UUID, dict[int, SheetMarker]]:
    """The markers of each track by slot, without those that are not of the slot's kind."""
    found: dict[UUID, dict[int, SheetMarker]] = {}
    owners = {sheet.pk: track for track, sheet in sheets.items()}
    for marker in SheetMarker.objects.filter(sheet__in=owners).order_by("slot"):
        if kinds.get(marker.slot) == ("point" if marker.end_us is None else "loop"):
            found.setdefault(owners[marker.sheet_id], {})[marker.slot] = marker
    return found


def _example(sheet: SheetVersion, copy: Copy, analysis: Analysis, grid: MusicalTime, marker: SheetMarker) -> Example:
    from_us, until_us = piece(grid, marker.start_us, marker.end_us)
    return Example(
        track=sheet.track, sheet=sheet.number, copy=copy, tempo_bpm=analysis.tempo_bpm,
        loudness_lufs=analysis.loudness_lufs, address=grid.address(marker.start_us), start_us=marker.start_us,
        end_us=marker.end_us, from_us=from_us, until_us=until_us,
    )  # fmt: skip


def piece(grid: MusicalTime, start_us: int, end_us: int | None) -> tuple[int, int]:
    """From where to where a marker is heard, in µs: a loop whole; a point from a bar before it to four bars after it,
    as far as the track goes. At most half a minute, cut at its end."""
    if end_us is not None:
        return start_us, min(end_us, start_us + LONGEST_US)
    at = grid.position(start_us)
    first = max(0, grid.time(at - BEFORE_BARS * grid.beats_per_bar))
    last = min(grid.duration_us, grid.time(at + AFTER_BARS * grid.beats_per_bar), first + LONGEST_US)
    return min(first, start_us), max(last, min(start_us + 1_000_000, grid.duration_us))
