"""A track that is marked by ear: its rows without sections and its slots without anybody else's markers.

``tracks/_blind.html`` shows it, with the editor of the track page. Sections are left out since they begin where most
markers belong; what is drawn of the sound stays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from crewprep.analysis.models import Analysis
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership
from crewprep.sheets.markers import MarkerInput, rows
from crewprep.sheets.models import SheetMarker
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import reference_copy
from crewprep.web.desk import Desk
from crewprep.web.track_parts import facts_of, player_context, rows_context, slots_data


@dataclass(frozen=True, slots=True)
class Blind:
    """What a member has marked of a track so far. ``name`` tells one such work from another in the browser's storage;
    ``revision`` is the one that is kept."""

    name: str
    track: Track
    analysis: Analysis
    version: ConventionVersion
    markers: Sequence[MarkerInput]
    revision: int

    def read(self, posted: Mapping[str, str]) -> list[MarkerInput]:
        """The markers of the page's form; raises ``Invalid`` naming the slot that cannot be read."""
        return _desk(self, self.markers).read(posted)


def blind_context(
    member: Membership,
    blind: Blind,
    *,
    keep_url: str,
    submitted: Sequence[MarkerInput] | None = None,
    typed: Mapping[str, str] | None = None,
    seen: int | None = None,
) -> dict[str, Any]:
    """What ``tracks/_blind.html`` needs; after a refusal with what was ``submitted`` and ``typed``, and, where another
    window had kept something since, with the revision that this one had ``seen``: its scripts then ask which to use."""
    desk = _desk(blind, blind.markers if submitted is None else submitted)
    copy = reference_copy(blind.track)
    return {
        "blind": True,
        "lines": desk.lines(typed),
        "slots_data": slots_data(blind.version),
        "desk_data": {
            "blind": True,
            "saved": [],
            "markers": [_values(marker) for marker in desk.markers],
            "reasons": {},
            "kept_as": blind.name,
            "kept": kept_data(blind.name, blind.markers, blind.revision if seen is None else seen),
        },
        "keep_url": keep_url,
        "seen_kept": blind.revision,
        "facts": facts_of(blind.analysis.result),
        **rows_context(analysis=blind.analysis, version=blind.version, markers=desk.markers, sections=False),
        **player_context(member, blind.track, blind.analysis, copy),
    }


def kept_data(name: str, markers: Sequence[MarkerInput], revision: int) -> dict[str, Any]:
    """What is kept, as the scripts of the page read it."""
    kept = [asdict(marker) for marker in markers]
    return {"markers": kept, "note": "", "begun_from": name, "revision": revision, "at": ""}


def empty_and_required(blind: Blind, markers: Sequence[MarkerInput]) -> list[int]:
    """Numbers of the slots that every track needs and that are not marked."""
    marked = {marker.slot for marker in markers}
    return [slot.number for slot in blind.version.slots.all() if slot.required and slot.number not in marked]


def _desk(blind: Blind, markers: Sequence[MarkerInput]) -> Desk:
    return Desk(
        track=blind.track, version=blind.version, analysis=blind.analysis, start="empty",
        markers=list(rows(SheetMarker, markers)), draft=None, sheet=None, proposal=None,
    )  # fmt: skip


def _values(marker: Any) -> dict[str, Any]:
    return {"slot": marker.slot, "start_us": marker.start_us, "end_us": marker.end_us, "label": ""}
