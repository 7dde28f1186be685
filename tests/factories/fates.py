"""What became of drafts, without the approvals that would tell it."""

from __future__ import annotations

from collections.abc import Iterable

from crewprep.onboarding.fates import SlotFate
from crewprep.onboarding.models import Fate, MarkerFate
from crewprep.sheets.models import SheetVersion

Told = tuple[str, str, str, SlotFate]
"""Engine, function, which of it, and what became of the draft."""

KEPT = SlotFate(1, Fate.KEPT, 0.9, 0, 0.0)
PHRASE_LATE = SlotFate(1, Fate.MOVED, 0.9, 15_000_000, 32.0, 1)


def fates(sheet: SheetVersion, made: Iterable[Told]) -> None:
    """Rows as they are written for ``sheet``; the slots are numbered anew, as a sheet has each once."""
    first = MarkerFate.objects.filter(sheet=sheet).count() + 100
    MarkerFate.objects.bulk_create(
        MarkerFate(
            crew_id=sheet.crew_id, sheet=sheet, engine=engine, slot=slot, function=function, which=which,
            fate=one.fate, confidence=one.confidence, off_us=one.off_us, off_beats=one.off_beats,
            phrases=one.phrases, band=one.band, quarters=one.quarters,
        )
        for slot, (engine, function, which, one) in enumerate(made, start=first)
    )  # fmt: skip


def drafts(kept: int, moved: int, function: str = "drop", which: str = "first", engine: str = "3") -> list[Told]:
    """So many drafts of one place that were kept, and so many that were moved a phrase on."""
    return [(engine, function, which, one) for one in (*[KEPT] * kept, *[PHRASE_LATE] * moved)]
