"""What lies on the desk when a track is opened: the markers to start from, and what came of typing over them.

The first of these that exists is worked on: the pending proposal (whoever made it: changing it makes one an author
too), the approved sheet (where this crate's version changes its meaning, its markers carried over by function, with the
draft's for slots that are new), the draft, an empty sheet.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from django.db.models import prefetch_related_objects
from django.utils import timezone

from crewprep.analysis.models import Analysis
from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.common.errors import Invalid
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionVersion, Slot
from crewprep.crates.models import Crate
from crewprep.onboarding.draft_figures import Place, weak_places, weak_sentence
from crewprep.onboarding.figures import Share
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.carrying import carry_over
from crewprep.sheets.effect import SheetView, reasons
from crewprep.sheets.markers import MarkerInput, markers_from_json
from crewprep.sheets.models import Draft, DraftMarker, KeptSheet, MarkerFields, SheetVersion
from crewprep.sheets.selectors import current_draft, latest_sheet
from crewprep.tracks.models import Track
from crewprep.web.rows import certainty
from crewprep.web.slots import Badge, badge
from crewprep.web.track_parts import is_doubtful
from crewprep.web.words import length_words

Start = Literal["proposal", "sheet", "carried", "draft", "empty"]


@dataclass(frozen=True, slots=True)
class SlotLine:
    """A slot in the table of markers: what is in it, where that came from, and what was typed."""

    slot: Slot
    badge: Badge
    start_us: int | None
    start_text: str
    end_us: int | None
    end_text: str
    address: str
    length: str
    label: str
    why: str
    remarks: tuple[Remark, ...]


@dataclass(slots=True)
class Desk:
    """A track as it is being worked on under one convention version."""

    track: Track
    version: ConventionVersion
    analysis: Analysis
    start: Start
    markers: list[MarkerFields]
    draft: Draft | None
    sheet: SheetVersion | None
    proposal: Proposal | None
    weak: Mapping[Place, Share] = field(default_factory=dict)
    """Where the engine drafts badly for this crew; asked for as long as there is no sheet to start from instead."""
    grid: MusicalTime = field(init=False)

    def __post_init__(self) -> None:
        self.grid = MusicalTime.of(self.analysis.result)

    @property
    def slots(self) -> list[Slot]:
        """The convention's slots in order."""
        return list(self.version.slots.all())

    @property
    def seen_sheet(self) -> int:
        """Number of the approved sheet that the page shows, 0 for none."""
        return self.sheet.number if self.sheet else 0

    @property
    def kept_as(self) -> str:
        """What work on this desk begins from."""
        # A corrected grid has no draft at first: what was typed over the old one is kept under the same name.
        start = "draft" if self.start == "empty" else self.start
        revision = self.proposal.revision if self.proposal else self.seen_sheet
        return f"{self.track.pk}/{self.version.pk}/{start}/{revision}"

    def going_on(self, kept: KeptSheet | None) -> Sequence[MarkerFields | MarkerInput]:
        """The markers that the scripts go on with: what the member has kept, where it began from what lies here."""
        if kept is None or kept.begun_from != self.kept_as:
            return self.markers
        return [MarkerInput.from_values(values) for values in kept.markers]

    def lines(self, typed: Mapping[str, str] | None = None) -> list[SlotLine]:
        """The table of markers; ``typed`` puts back what a refused form said."""
        reasons, remarks = self.reasons(), self._remarks()
        return [self._line(slot, typed, reasons, remarks) for slot in self.slots]

    def _line(
        self, slot: Slot, typed: Mapping[str, str] | None, reasons: dict[int, str], remarks: Sequence[Remark]
    ) -> SlotLine:
        marker = next((marker for marker in self.markers if marker.slot == slot.number), None)
        start_us, end_us = (marker.start_us, marker.end_us) if marker else (None, None)
        start_text = "" if start_us is None else clock(start_us)
        end_text = "" if end_us is None else clock(end_us)
        label = marker.label if marker else ""
        if typed is not None:
            start_text = typed.get(f"start-{slot.number}", start_text)
            end_text = typed.get(f"end-{slot.number}", end_text)
            label = typed.get(f"label-{slot.number}", label)
        return SlotLine(
            slot=slot,
            badge=badge(slot),
            start_us=start_us,
            start_text=start_text,
            end_us=end_us,
            end_text=end_text,
            address=self.grid.address(start_us) if start_us is not None and not self.grid.timed else "",
            length=length_words(self.grid, marker) if marker else "",
            label=label,
            why=reasons.get(slot.number, ""),
            remarks=tuple(remark for remark in remarks if remark.slot == slot.number),
        )

    def reasons(self) -> dict[int, str]:
        """What the draft says of each slot: how sure and why, or why it is empty; and where such drafts are weak."""
        if self.draft is None:
            return {}
        said = {item["slot"]: f"Left empty: {item['reason']}" for item in self.draft.empty}
        warnings = self.warnings()
        for marker in self.draft.markers.all():
            words = f"Draft {certainty(marker.confidence)} ({marker.confidence:.0%}): {marker.reason}"
            warning = warnings.get(marker.slot)
            said[marker.slot] = f"{words.rstrip('.')}. {warning}" if warning else words
        return said

    def warnings(self) -> dict[int, str]:
        """The sentence at each slot whose drafts are weak."""
        places = {slot.number: (slot.function, slot.which) for slot in self.slots}
        return {number: weak_sentence(self.weak[at]) for number, at in places.items() if at in self.weak}

    def said(self) -> dict[int, list[tuple[str, str]]]:
        """Who said what about which slot of a returned proposal, where it is not settled."""
        said: dict[int, list[tuple[str, str]]] = {}
        for remark in self._remarks():
            said.setdefault(remark.slot, []).append((str(remark.by), remark.text))
        return said

    def _remarks(self) -> Sequence[Remark]:
        if self.proposal is None or self.proposal.state != ProposalState.RETURNED:
            return ()
        return list(self.proposal.remarks.filter(resolved_at__isnull=True).select_related("by"))

    def to_script(self, markers: Sequence[MarkerFields | MarkerInput], kept: KeptSheet | None = None) -> dict[str, Any]:
        """Markers, where they stood when the page was made, what the member has kept, and the draft's words."""
        doubted = self.warnings()
        return {
            "saved": [_plain(marker, doubted) for marker in self.markers],
            "markers": [_plain(marker, doubted) for marker in markers],
            "reasons": self.reasons(),
            "kept_as": self.kept_as,
            "kept": kept_data(kept),
        }

    def read(self, posted: Mapping[str, str]) -> list[MarkerInput]:
        """The markers of a form: from the scripts' list where they wrote one, else from the table's fields.

        Raises ``Invalid`` naming the slot that cannot be read.
        """
        if posted.get("markers"):
            return markers_from_json(posted["markers"])
        found = [self._read_line(line, posted) for line in self.lines()]
        return [marker for marker in found if marker is not None]

    def _read_line(self, line: SlotLine, posted: Mapping[str, str]) -> MarkerInput | None:
        number = line.slot.number
        start_text, end_text = posted.get(f"start-{number}", "").strip(), posted.get(f"end-{number}", "").strip()
        if not start_text:
            return None
        start_us = self._read_time(number, start_text, line.start_text, line.start_us)
        end_us: int | None = None
        if line.slot.kind == "loop":
            moved = start_us != line.start_us and end_text == line.end_text
            if end_text and not moved:
                end_us = self._read_time(number, end_text, line.end_text, line.end_us)
            else:
                end_us = self.grid.loop_end(start_us, line.slot.loop_bars or 1)
        label = posted.get(f"label-{number}", line.label).strip()[:60]
        return MarkerInput(slot=number, start_us=start_us, end_us=end_us, label=label)

    def _read_time(self, number: int, text: str, shown: str, exact_us: int | None) -> int:
        """A typed time; a field that was left alone keeps its microseconds, of which it shows thousands only."""
        if exact_us is not None and text == shown:
            return exact_us
        time_us = self.grid.find(text)
        if time_us is None:
            raise Invalid("marker:unreadable", slot=number, text=text[:40])
        return time_us


def desk_for(track: Track, crate: Crate, analysis: Analysis) -> Desk:
    """Lay the right markers on the desk."""
    sheet, pending = latest_sheet(track), pending_proposal(track)
    version, engine = crate.convention_version, analysis.engine
    start: Start = "empty"
    markers: list[MarkerFields] = []
    if pending is not None:
        version, start, markers = pending.convention_version, "proposal", list(pending.markers.all())
        analysis = pending.analysis
    prefetch_related_objects([version], "slots")  # many parts of the page ask for them
    draft = current_draft(track, version)
    if pending is None and sheet is not None:
        start, markers = _from_sheet(sheet, version, analysis, draft)
    elif pending is None and draft is not None:
        start, markers = "draft", list(draft.markers.all())
    return Desk(
        track=track, version=version, analysis=analysis, start=start, markers=markers, draft=draft, sheet=sheet,
        proposal=pending, weak=weak_places(track.crew_id, engine) if draft is not None and sheet is None else {},
    )  # fmt: skip


def _from_sheet(
    sheet: SheetVersion, version: ConventionVersion, analysis: Analysis, draft: Draft | None
) -> tuple[Start, list[MarkerFields]]:
    """The sheet's markers under the crate's version, and the draft's in slots that the sheet's version did not have."""
    markers = list(sheet.markers.all())
    if sheet.convention_version_id == version.pk:
        return "sheet", list(markers)
    comparison = compare_slots(sheet.convention_version.slots.all(), version.slots.all())
    times = {marker.slot: (marker.start_us, marker.end_us) for marker in markers}
    view = SheetView(times, None, {marker.slot: marker.label for marker in markers})
    if not reasons(comparison, view, MusicalTime.of(sheet.analysis.result)):
        return "sheet", list(markers)
    carried = carry_over(markers, comparison, MusicalTime.of(analysis.result).loop_end)
    known = {slot.number for slot in comparison.carried().values()}
    fresh = [marker for marker in draft.markers.all() if marker.slot not in known] if draft else []
    return "carried", sorted([*carried, *fresh], key=lambda marker: marker.slot)


def kept_data(kept: KeptSheet | None) -> dict[str, Any] | None:
    """What a member has kept, as the scripts read it."""
    if kept is None:
        return None
    return {
        "markers": kept.markers, "note": kept.note, "begun_from": kept.begun_from, "revision": kept.revision,
        "at": timezone.localtime(kept.changed_at).strftime("%H:%M"),
    }  # fmt: skip


def _plain(marker: MarkerFields | MarkerInput, doubted: Collection[int]) -> dict[str, Any]:
    values: dict[str, Any] = {
        "slot": marker.slot, "start_us": marker.start_us, "end_us": marker.end_us, "label": marker.label,
    }  # fmt: skip
    if isinstance(marker, DraftMarker):
        values["doubtful"] = is_doubtful(marker, doubted)
    return values
