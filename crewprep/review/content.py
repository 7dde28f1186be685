"""What exactly a verdict is about, as one digest (pure).

The digest is the SHA-256 of canonical JSON in the sense of RFC 8785: names sorted, no white space, UTF-8. It covers the
markers, the convention version that gives them their meaning, the analysis that gives them their places, and the sheet
that they change.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Any, Protocol
from uuid import UUID

from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import MarkerFields


class Content(Protocol):
    """What has a content: a proposal."""

    @property
    def convention_version_id(self) -> UUID: ...
    @property
    def analysis_id(self) -> UUID: ...
    @property
    def base_id(self) -> UUID | None: ...


def plain(markers: Iterable[MarkerInput | MarkerFields]) -> list[dict[str, Any]]:
    """Markers in slot order as JSON values."""
    return [
        {"slot": marker.slot, "start_us": marker.start_us, "end_us": marker.end_us, "label": marker.label}
        for marker in sorted(markers, key=lambda marker: marker.slot)
    ]


def canonical(content: Content, markers: Iterable[MarkerInput | MarkerFields]) -> str:
    """The content as canonical JSON."""
    values = {
        "analysis": str(content.analysis_id),
        "base": None if content.base_id is None else str(content.base_id),
        "convention_version": str(content.convention_version_id),
        "markers": plain(markers),
    }
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def digest_of(content: Content, markers: Iterable[MarkerInput | MarkerFields]) -> str:
    """64 hexadecimal digits."""
    # A lone surrogate cannot be stored, but it can be typed: it must not break the page.
    return hashlib.sha256(canonical(content, markers).encode("utf-8", "surrogatepass")).hexdigest()
