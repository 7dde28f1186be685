"""Figures on drafts as files: the evidence for the next engine. No track, title or member is named.

One line for each engine and slot function in all, then one for each band of confidence in which anything was drafted.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator

from crewprep.onboarding.draft_figures import SlotFigures, Tally
from crewprep.onboarding.figures import Share

Value = str | int | float | None

_SHARES: dict[str, tuple[str, str]] = {
    "kept": ("kept_share", "kept of drafted: within a quarter of a beat, a loop's end too"),
    "near": ("near_share", "kept or moved by a beat at most, of drafted"),
    "moved": ("moved_share", "moved of drafted"),
    "phrases": ("phrases_share", "moved by whole phrases, of drafted"),
    "dropped": ("dropped_share", "dropped of drafted: the sheet left the slot empty"),
    "added": ("added_share", "added of all markers in the approved sheets: the draft left the slot empty"),
}
"""Name, attribute of ``Tally``, and what it is a share of."""

COLUMNS: dict[str, str] = {
    "engine": "version of the analysis that made the drafts",
    "function": "what the slot is for",
    "which": "which of that function: first, second, last or strongest",
    "confidence_from": "lower edge of the band of confidence, 0 to 1; empty for all bands",
    "confidence_to": "upper edge, which belongs to the last band alone; empty for all bands",
    "drafted": "markers that were drafted",
    **{name: f"how many {name}" for name in ("kept", "moved", "dropped", "added")},
    "near": "how many kept or moved by a beat at most",
    "phrases": "how many moved by whole phrases",
    "mean_confidence": "mean confidence of the drafted, 0 to 1",
    "median_beats": "half of the moved went no further, in beats rounded up to a quarter",
    "ninetieth_beats": "nine of ten moved went no further, in beats rounded up to a quarter",
    **{
        f"{name}_{end}": f"{words}; {meaning}"
        for name, (_, words) in _SHARES.items()
        for end, meaning in (
            ("share", "0 to 1"),
            ("low", "lower end of its Wilson interval at 95 %"),
            ("high", "upper end of its Wilson interval at 95 %"),
        )
    },
}
"""Every column with what it holds; an empty value means that there is nothing to tell."""


def lines_of(slots: Iterable[SlotFigures]) -> Iterator[dict[str, Value]]:
    """The lines by column."""
    for one in slots:
        edges: list[tuple[float | None, float | None, Tally]] = [(None, None, one.tally)]
        edges += [(band.low, band.high, band.tally) for band in one.bands]
        for low, high, tally in edges:
            yield {
                "engine": one.engine, "function": one.function, "which": one.which, "confidence_from": low,
                "confidence_to": high, **_counts(tally), **_shares(tally),
            }  # fmt: skip


def figures_csv(slots: Iterable[SlotFigures]) -> bytes:
    """Comma separated values (RFC 4180, UTF-8) with the names of ``COLUMNS`` in the first line."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(COLUMNS))
    writer.writeheader()
    writer.writerows(lines_of(slots))
    return out.getvalue().encode()


def figures_json(slots: Iterable[SlotFigures]) -> bytes:
    """``{"columns": {name: what it holds}, "lines": [{name: value}]}``, null where there is nothing to tell."""
    return json.dumps({"columns": COLUMNS, "lines": list(lines_of(slots))}, indent=1).encode()


def _counts(tally: Tally) -> dict[str, Value]:
    return {
        "drafted": tally.drafted, "kept": tally.kept, "moved": tally.moved, "dropped": tally.dropped,
        "added": tally.added, "near": tally.near, "phrases": tally.by_phrases,
        "mean_confidence": None if tally.confidence is None else round(tally.confidence, 4),
        "median_beats": tally.median_beats, "ninetieth_beats": tally.ninetieth_beats,
    }  # fmt: skip


def _shares(tally: Tally) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for name, (attribute, _) in _SHARES.items():
        share: Share = getattr(tally, attribute)
        known = share.trials > 0
        found[f"{name}_share"] = round(share.value, 4) if share.value is not None else None
        found[f"{name}_low"] = round(share.interval.low, 4) if known else None
        found[f"{name}_high"] = round(share.interval.high, 4) if known else None
    return found
