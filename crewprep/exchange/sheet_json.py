"""An approved sheet as one JSON document (RFC 8259), described by ``sheet.schema.json``.

The lossless form: start and end in seconds with six decimals, which is the resolution that markers are stored with,
and as sample numbers of the canonical decode.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from typing import Any

from crewprep.analysis.musical_time import MusicalTime
from crewprep.exchange.labels import label_for
from crewprep.sheets.models import SheetMarker, SheetVersion
from crewprep.tracks.models import Copy

FORMAT = "crewprep sheet"
FORMAT_VERSION = 1
TIME_ZERO = "seconds from the first sample of the gapless-trimmed decode"


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of the document."""
    text = resources.files("crewprep.exchange").joinpath("sheet.schema.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


def sheet_document(sheet: SheetVersion, copy: Copy) -> dict[str, Any]:
    """The document of a sheet; ``copy`` is the track's copy that set time zero.

    Sample numbers are given only where ``copy`` still holds the decode that the sheet was made on.
    """
    analysis = sheet.analysis
    same_decode = copy.pcm_sha256 == analysis.pcm_sha256
    rate = copy.sample_rate if same_decode else None
    time = MusicalTime.of(analysis.result)
    slots = {slot.number: slot for slot in sheet.convention_version.slots.all()}
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "track": {"id": str(sheet.track_id), "title": sheet.track.title, "artist": sheet.track.artist},
        "audio": {
            "time_zero": TIME_ZERO,
            "pcm_sha256": analysis.pcm_sha256,
            "duration_s": _seconds(analysis.duration_us),
            "sample_rate": rate,
            "frames": copy.frames if same_decode else None,
            "decoder": f"{copy.decoder} {copy.decoder_version}".strip() if same_decode else None,
            "leading_trim_frames": copy.leading_trim_frames if same_decode else None,
        },
        "tempo_bpm": analysis.tempo_bpm,
        "key": analysis.key_name or None,
        "convention": {"name": sheet.convention_version.convention.name, "version": sheet.convention_version.number},
        "sheet": {
            "version": sheet.number,
            "proposed_by": str(sheet.proposed_by),
            "approved_by": str(sheet.approved_by),
            "approved_at": sheet.created_at.isoformat(),
        },
        "markers": [_marker(marker, slots[marker.slot], time, rate) for marker in sheet.markers.all()],
    }


def render(document: dict[str, Any]) -> bytes:
    """UTF-8, one readable object a line group, with a line break at the end."""
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False).encode() + b"\n"


def _marker(marker: SheetMarker, slot: Any, time: MusicalTime, rate: int | None) -> dict[str, Any]:
    label = label_for(slot=marker.slot, name=slot.name, start_us=marker.start_us, end_us=marker.end_us, time=time)
    return {
        "slot": marker.slot,
        "label": str(label),
        "name": slot.name,
        "function": slot.function,
        "kind": "point" if marker.end_us is None else "loop",
        "start_s": _seconds(marker.start_us),
        "end_s": None if marker.end_us is None else _seconds(marker.end_us),
        "start_sample": _sample(marker.start_us, rate),
        "end_sample": _sample(marker.end_us, rate),
        "length_beats": label.beats,
        "address": None if time.timed else time.address(marker.start_us),
        "colour": slot.colour,
        "shape": slot.shape,
        "text": marker.label,
    }


def _seconds(time_us: int) -> float:
    return round(time_us / 1_000_000, 6)


def _sample(time_us: int | None, rate: int | None) -> int | None:
    return None if time_us is None or rate is None else round(time_us * rate / 1_000_000)
