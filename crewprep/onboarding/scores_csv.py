"""A member's scores as comma separated values: one line a slot of a handed-in drill."""

from __future__ import annotations

import csv
import io

from crewprep.crews.models import Membership
from crewprep.exchange.sheet_csv import defuse
from crewprep.onboarding.progress import scores_of

COLUMNS = (
    "handed_in_at", "title", "artist", "slot", "function", "which", "miss", "off_ms", "off_beats", "phrases",
    "other_slot", "length_off_beats",
)  # fmt: skip


def scores_file(other: Membership) -> bytes:
    """The file (RFC 4180, UTF-8); texts are defused as those of sheets are. Empty cells are figures that a miss has
    not; ``off_`` is positive for late."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for one in scores_of(other):
        track, handed_in_at = one.drill.track, one.drill.handed_in_at
        writer.writerow(
            [
                handed_in_at.isoformat() if handed_in_at else "",
                defuse(track.title),
                defuse(track.artist),
                one.slot,
                one.function,
                one.which,
                one.miss,
                "" if one.off_us is None else f"{one.off_us / 1000:.3f}",
                _beats(one.off_beats),
                _whole(one.phrases),
                _whole(one.other_slot),
                _beats(one.length_off_beats),
            ]
        )
    return out.getvalue().encode()


def _beats(beats: float | None) -> str:
    return "" if beats is None else f"{beats:.4f}"


def _whole(number: int | None) -> str:
    return "" if number is None else str(number)
