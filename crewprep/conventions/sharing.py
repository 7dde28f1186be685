"""A convention as a file between crews: the document of ``convention.schema.json`` (JSON Schema 2020-12, RFC 8259).

The schema is asked here alone, where a file comes in; what it cannot say (the order of numbers) the rules say.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator, Sequence
from functools import cache
from importlib import resources
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from crewprep.common.errors import DomainError, Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import as_document
from crewprep.conventions.services import slots_from

MAX_BYTES = 64 * 1024
"""Sixteen slots with all their words take less than a tenth of it."""


def write_file(version: ConventionVersion) -> bytes:
    """The file of a version, to keep or to share."""
    return (json.dumps(as_document(version), indent=2, ensure_ascii=False) + "\n").encode()


def read_file(content: bytes) -> dict[str, Any]:
    """The document in a file; raises ``Invalid`` with one sentence that names the place of the first mistake."""
    if len(content) > MAX_BYTES:
        raise _unusable(f"It is larger than {MAX_BYTES // 1024} KiB, which no convention is.")
    try:
        document = json.loads(content.decode("utf-8-sig"), parse_constant=_no_number, object_pairs_hook=_no_name_twice)
    except UnicodeDecodeError:
        raise _unusable("It is not text in UTF-8.") from None
    except json.JSONDecodeError as error:
        raise _unusable(f"It is not JSON: line {error.lineno}, column {error.colno}.") from None
    except (ValueError, RecursionError) as error:
        detail = str(error) if isinstance(error, _TwiceError) else "it holds a number or a nesting that JSON has not."
        raise _unusable(f"It is not JSON: {detail}") from None
    first = min(_schema().iter_errors(document), key=_where, default=None)
    if first is not None:
        raise _unusable(_sentence(first))
    for path, text in _texts(document):
        if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in text):
            raise _unusable(f"{_place(path)} holds a sign that cannot be shown.")
    try:
        slots_from(document)
    except DomainError as error:
        raise _unusable(str(error.values.get("detail", error.sentence))) from None
    found: dict[str, Any] = document
    return found


def _texts(document: dict[str, Any]) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every text in a document of the right shape, with its place."""
    yield ("name",), document["name"]
    for index, slot in enumerate(document["slots"]):
        yield from ((("slots", index, field), text) for field, text in slot.items() if isinstance(text, str))
        yield from ((("slots", index, "labels", at), text) for at, text in enumerate(slot.get("labels", ())))


class _TwiceError(ValueError):
    """A name stands twice in one object."""


def _no_number(name: str) -> None:
    raise ValueError(name)


def _no_name_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(name for name, _ in pairs if [other for other, _ in pairs].count(name) > 1)
        raise _TwiceError(f"“{twice[:40]}” stands twice in one place.")
    return found


@cache
def _schema() -> Draft202012Validator:
    text = (resources.files("analysis_worker.core") / "schemas" / "convention.schema.json").read_text(encoding="utf-8")
    return Draft202012Validator(json.loads(text))


def _where(error: ValidationError) -> tuple[int, list[str]]:
    """Mistakes nearer to the top come first, then those that stand first."""
    path = list(error.absolute_path)
    return len(path), [f"{part:03}" if isinstance(part, int) else str(part) for part in path]


def _sentence(error: ValidationError) -> str:
    """One mistake in words: the place, and what is asked for there."""
    place = _place(list(error.absolute_path))
    wanted: Any = error.validator_value
    words = {
        "type": lambda: f"{place} must be {_types(wanted)}.",
        "required": lambda: f"{place} lacks “{_missing(error)}”.",
        "additionalProperties": lambda: f"{place} has “{_unknown(error)}”, which is not part of a convention.",
        "enum": lambda: f"{place} must be one of {', '.join(map(str, wanted))}.",
        "minimum": lambda: f"{place} must be {wanted} or more.",
        "maximum": lambda: f"{place} must be {wanted} or less.",
        "minLength": lambda: f"{place} must not be empty.",
        "maxLength": lambda: f"{place} has more than {wanted} letters.",
        "minItems": lambda: f"{place} must hold {wanted} or more.",
        "maxItems": lambda: f"{place} must hold {wanted} or fewer.",
        "pattern": lambda: f"{place} must be words without a comma.",
    }
    said = words.get(str(error.validator))
    return said() if said else f"{place} cannot be used."


def _place(path: Sequence[str | int]) -> str:
    """``The “function” of the 3rd slot``."""
    if not path:
        return "The whole document"
    if path[0] != "slots" or len(path) == 1:
        return f"“{path[0]}”"
    slot = f"slot {int(path[1]) + 1} of the list"
    if len(path) == 2:
        return slot.capitalize()
    text = f"Text {int(path[3]) + 1} in " if len(path) > 3 else ""
    return f"{text}“{path[2]}” of {slot}"


def _types(wanted: str | list[str]) -> str:
    names = {
        "object": "an object", "array": "a list", "string": "text", "integer": "a whole number", "null": "null",
        "boolean": "true or false", "number": "a number",
    }  # fmt: skip
    return " or ".join(names[one] for one in ([wanted] if isinstance(wanted, str) else wanted))


def _missing(error: ValidationError) -> str:
    wanted: Any = error.validator_value
    given: Any = error.instance
    return str(next(name for name in wanted if name not in given))


def _unknown(error: ValidationError) -> str:
    known = error.schema["properties"] if isinstance(error.schema, dict) else {}
    given: Any = error.instance
    return str(next(name for name in given if name not in known))[:40]


def _unusable(detail: str) -> Invalid:
    return Invalid("convention:file", detail=detail)
