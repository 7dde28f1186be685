"""What a double marking found: the figures with whom and what they are about, as values and as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.models import Slot
from crewprep.crews.models import Membership, User
from crewprep.exchange.sheet_csv import defuse
from crewprep.onboarding.disagreement import (
    LEAST_ITEMS,
    RELATIONS,
    Coefficient,
    Disagreement,
    Pair,
    SlotAgreement,
    TrackMarked,
    disagreement,
)
from crewprep.onboarding.double import marked_tracks
from crewprep.onboarding.figures import Share
from crewprep.onboarding.models import BlindSheet, DoubleMarking
from crewprep.sheets.markers import MarkerInput
from crewprep.tracks.models import Copy, Track
from crewprep.tracks.selectors import reference_copies

CSV_COLUMNS = (
    "slot", "name", *(kind.replace(" ", "_") for kind in RELATIONS), "compared", "apart", "share_apart",
    "share_apart_low", "share_apart_high", "alpha_positions", "alpha_items",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Report:
    """The figures, and the slots, tracks (with analysis, grid and copy) and people that they name."""

    marking: DoubleMarking
    found: Disagreement
    slots: Mapping[int, Slot]
    tracks: Mapping[UUID, Track]
    analyses: Mapping[UUID, Analysis]
    grids: Mapping[UUID, MusicalTime]
    copies: Mapping[UUID, Copy]
    people: Mapping[int, User]


def report_of(member: Membership, marking: DoubleMarking) -> Report:
    """The report as it stands; raises ``Refused`` with ``double:not-yet`` before the member may see it."""
    sheets = marked_tracks(member, marking)
    slots = {slot.number: slot for slot in marking.convention_version.slots.all()}
    by_track: dict[UUID, list[BlindSheet]] = {}
    for sheet in sheets:
        by_track.setdefault(sheet.track_id, []).append(sheet)
    analyses = {track: rows[0].analysis for track, rows in by_track.items()}
    grids = {track: MusicalTime.of(analysis.result) for track, analysis in analyses.items()}
    marked = [
        TrackMarked(
            track,
            grids[track],
            {row.by_id: [MarkerInput.from_values(values) for values in row.markers] for row in rows},
        )
        for track, rows in by_track.items()
    ]
    return Report(
        marking=marking,
        found=disagreement(marked, {number: slot.function for number, slot in slots.items()}),
        slots=slots,
        tracks={sheet.track_id: sheet.track for sheet in sheets},
        analyses=analyses,
        grids=grids,
        copies=reference_copies(by_track),
        people={sheet.by_id: sheet.by for sheet in sheets},
    )


def report_values(report: Report) -> dict[str, Any]:
    """Everything in plain values; shares from 0 to 1 with their interval at 95 %, times in microseconds."""
    found = report.found
    return {
        "name": report.marking.name,
        "convention": str(report.marking.convention_version),
        "tracks": len(report.tracks),
        "members": [person.username for person in sorted(report.people.values(), key=lambda one: one.username)],
        "least_items": LEAST_ITEMS,
        "kappa_functions": {**_coefficient(found.kappa), "pairs_of_members": found.kappa_pairs},
        "alpha_functions": _coefficient(found.alpha_functions),
        "alpha_positions": _coefficient(found.alpha_positions),
        "reword_first": [one.slot for one in found.worst],
        "slots": [_slot(report, one) for one in found.slots],
    }


def _slot(report: Report, one: SlotAgreement) -> dict[str, Any]:
    slot = report.slots[one.slot]
    return {
        "slot": one.slot,
        "name": slot.name,
        "guidance": slot.guidance,
        **{kind.replace(" ", "_"): one.counts[kind] for kind in RELATIONS},
        "share_apart": _share(one.share_apart),
        "alpha_positions": _coefficient(one.alpha),
        "apart": [_pair(report, pair) for pair in one.apart],
    }


def _pair(report: Report, pair: Pair) -> dict[str, Any]:
    return {
        "track": str(pair.track),
        "title": report.tracks[pair.track].title,
        "relation": pair.relation,
        "beats": pair.beats,
        "phrases": pair.phrases,
        "places": [
            {"member": report.people[who].username, "start_us": start_us}
            for who, start_us in ((pair.first, pair.first_us), (pair.second, pair.second_us))
        ],
    }


def _coefficient(one: Coefficient) -> dict[str, Any]:
    return {"value": one.value, "items": one.items}


def _share(share: Share) -> dict[str, Any]:
    return {
        "apart": share.successes,
        "compared": share.trials,
        "value": share.value,
        "low": share.interval.low,
        "high": share.interval.high,
    }


def report_csv(report: Report) -> str:
    """A line a slot, in the order of the convention; a coefficient is empty below the items that it needs."""
    out = io.StringIO()
    lines = csv.writer(out, lineterminator="\r\n")
    lines.writerow(CSV_COLUMNS)
    for one in report.found.slots:
        share = one.share_apart
        lines.writerow(
            [
                one.slot, defuse(report.slots[one.slot].name), *(one.counts[kind] for kind in RELATIONS),
                share.trials, share.successes, _number(share.value), _number(share.interval.low),
                _number(share.interval.high), _number(one.alpha.value), one.alpha.items,
            ]
        )  # fmt: skip
    return out.getvalue()


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.4f}"
