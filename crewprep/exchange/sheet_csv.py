"""An approved sheet as comma separated values (RFC 4180, UTF-8): a header and one line a marker.

What belongs to the whole sheet is repeated on every line, so that several files can be put under each other.

Spreadsheets run cells that look like formulas. The rule here, after OWASP's advice on CSV injection: a text whose
first character, spaces and control characters aside, is one of ``= + - @`` (or a full-width form of one), or that
starts with a tab, a line break or an apostrophe, gets one apostrophe in front. Reading takes one leading apostrophe
away. So every text comes back as it was, and no cell starts as a formula does.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any

COLUMNS = (
    "slot", "label", "name", "function", "kind", "start_s", "end_s", "start_sample", "end_sample", "length_beats",
    "address", "colour", "shape", "text", "title", "artist", "sheet_version", "convention", "convention_version",
    "tempo_bpm", "key", "pcm_sha256", "time_zero",
)  # fmt: skip

_FORMULA_STARTS = "=+-@＝＋－＠"
_LEADING = "\t\r\n'"
_SECONDS = {"start_s", "end_s"}


def defuse(text: str) -> str:
    """The text as a cell that no spreadsheet runs."""
    if not text:
        return text
    bare = text.lstrip("".join(map(chr, range(33))) + "\x7f\xa0\ufeff")
    return f"'{text}" if text[0] in _LEADING or (bare and bare[0] in _FORMULA_STARTS) else text


def restore(cell: str) -> str:
    """What ``defuse`` was given."""
    return cell.removeprefix("'")


def render(document: dict[str, Any]) -> bytes:
    """The file of a sheet's document (``sheet_json.sheet_document``)."""
    shared = {
        "title": document["track"]["title"],
        "artist": document["track"]["artist"],
        "sheet_version": document["sheet"]["version"],
        "convention": document["convention"]["name"],
        "convention_version": document["convention"]["version"],
        "tempo_bpm": document["tempo_bpm"],
        "key": document["key"],
        "pcm_sha256": document["audio"]["pcm_sha256"],
        "time_zero": document["audio"]["time_zero"],
    }
    return write_rows({**marker, **shared} for marker in document["markers"])


def write_rows(rows: Iterable[dict[str, Any]]) -> bytes:
    """Header and lines; a value that is None leaves its cell empty."""
    out = io.StringIO(newline="")
    lines = csv.writer(out, lineterminator="\r\n")
    lines.writerow(COLUMNS)
    for row in rows:
        lines.writerow([_cell(name, row[name]) for name in COLUMNS])
    return out.getvalue().encode()


def read_rows(content: bytes) -> list[dict[str, str]]:
    """The lines of such a file by column, texts restored; raises ``ValueError`` for another header."""
    lines = csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True)
    if tuple(next(lines, ())) != COLUMNS:
        raise ValueError("The first line does not name the columns of a sheet.")
    return [dict(zip(COLUMNS, map(restore, line), strict=True)) for line in lines]


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name in _SECONDS:
        return f"{value:.6f}"
    return defuse(value) if isinstance(value, str) else f"{value}"
