"""Approved sheets in the form they leave in."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.exchange import sheet_csv, sheet_json
from crewprep.sheets.selectors import sheet_for
from crewprep.tracks.selectors import time_zero_copy, track_for

_HIGHEST_NUMBER = 2**31 - 1
_UNFIT_FOR_NAMES = re.compile(r'[\x00-\x1f\x7f/\\:*?"<>|]+')


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A file to hand over: its name, its media type and its bytes."""

    name: str
    media_type: str
    content: bytes


_FORMATS: dict[str, tuple[str, Callable[[dict[str, Any]], bytes]]] = {
    "json": ("application/json", sheet_json.render),
    "csv": ("text/csv; charset=utf-8; header=present", sheet_csv.render),
}
FORMATS = tuple(_FORMATS)


def sheet_document_for(member: Membership, track_id: UUID, version: int | None = None) -> dict[str, Any]:
    """The document of a track's approved sheet, the latest or the numbered one; raises ``NotFound``."""
    track = track_for(member, track_id)
    if version is not None and not 1 <= version <= _HIGHEST_NUMBER:
        raise NotFound("sheet:none")
    return sheet_json.sheet_document(sheet_for(member, track, version), time_zero_copy(track))


def sheet_file_for(member: Membership, track_id: UUID, form: str, version: int | None = None) -> SheetFile:
    """The file of an approved sheet in one of ``FORMATS``; raises ``NotFound``, ``KeyError`` for another format."""
    media_type, render = _FORMATS[form]
    document = sheet_document_for(member, track_id, version)
    return SheetFile(_file_name(document, form), media_type, render(document))


def _file_name(document: dict[str, Any], form: str) -> str:
    track = document["track"]
    title = " - ".join(part for part in (track["artist"], track["title"]) if part)
    safe = _UNFIT_FOR_NAMES.sub(" ", title).strip(" .")[:120] or "track"
    return f"{safe}, sheet {document['sheet']['version']}.{form}"
