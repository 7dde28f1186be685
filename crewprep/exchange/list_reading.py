"""A list of tracks from elsewhere as a table: comma separated values (RFC 4180) of unknown delimiter and encoding.

Pure; what it makes of a file is shown to the member before anything is done with it.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from crewprep.common.errors import Invalid
from crewprep.exchange.sheet_csv import defuse

MAX_BYTES = 2_000_000
MAX_ROWS = 5_000
MAX_COLUMNS = 100
MAX_CELL = 2_000
DELIMITERS = ",;\t|"
_SAMPLE_ROWS = 50


@dataclass(frozen=True, slots=True)
class Row:
    """A row with the line of the file that it begins on; as many cells as the header. ``extra`` counts those beyond."""

    line: int
    cells: tuple[str, ...]
    extra: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows, and what the file turned out to be."""

    delimiter: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]


def decode(content: bytes) -> tuple[str, str]:
    """The text and the name of its encoding: UTF-8 with or without a mark, UTF-16 with one, else Western European.

    Raises ``Invalid`` for what is too large or no text.
    """
    if len(content) > MAX_BYTES:
        raise Invalid("list:too-large", most=f"{MAX_BYTES // 1_000_000} MB")
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text, {"utf-8-sig": "UTF-8", "utf-16": "UTF-16"}.get(encoding, "Latin-1")
    raise Invalid("list:not-text")


def read_table(text: str) -> Table:
    """Read a list; its first line names the columns. Raises ``Invalid`` with the line that cannot be read."""
    delimiter = _sniff(text)
    records = _records(text, delimiter)
    line, header = next(records, (0, []))
    if not header:
        raise Invalid("list:empty")
    if len(header) > MAX_COLUMNS:
        raise Invalid("list:too-wide", most=MAX_COLUMNS)
    names = tuple(undefuse(cell).strip() or f"Column {number}" for number, cell in enumerate(header, start=1))
    rows: list[Row] = []
    for line, cells in records:
        if len(rows) == MAX_ROWS:
            raise Invalid("list:too-long", most=f"{MAX_ROWS:,}")
        if any(len(cell) > MAX_CELL for cell in cells):
            raise Invalid("list:long-cell", line=line, most=MAX_CELL)
        padded = [*cells, *[""] * (len(names) - len(cells))]
        extra = sum(bool(cell.strip()) for cell in cells[len(names) :])
        rows.append(Row(line, tuple(map(undefuse, padded[: len(names)])), extra))
    if not rows:
        raise Invalid("list:empty")
    return Table(delimiter, names, tuple(rows))


def undefuse(cell: str) -> str:
    """What ``defuse`` was given, and any other cell as it is: a title may well begin with an apostrophe."""
    bare = cell.removeprefix("'")
    return bare if bare != cell and defuse(bare) == cell else cell


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Each record that is not blank with the line it begins on."""
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begins = 1
    try:
        for cells in lines:
            if any(cell.strip() for cell in cells):
                yield begins, cells
            begins = lines.line_num + 1
    except csv.Error as error:
        raise Invalid("list:malformed", line=begins) from error


def _sniff(text: str) -> str:
    """The delimiter by which most rows are as wide as the header, and that the wider the better."""

    def score(delimiter: str) -> tuple[float, int]:
        widths: list[int] = []
        try:
            for _, cells in _records(text, delimiter):
                widths.append(len(cells))
                if len(widths) > _SAMPLE_ROWS:
                    break
        except Invalid:
            return -1.0, 0
        if not widths or widths[0] < 2:
            return 0.0, 0
        return sum(width == widths[0] for width in widths) / len(widths), widths[0]

    return max(DELIMITERS, key=score)
