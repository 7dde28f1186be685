"""Rows of lists, drawn once for as long as they say the same.

A row of a list is a function of a few plain values. Lists are looked at again and again (a crate that workers are at
asks for itself every two seconds), and drawing takes a third of a page's time; so a process keeps what it has drawn, by
the values themselves. Nothing can be stale: other values are another row. What belongs to one request alone (the token
of a form, the time zone) comes into a row as such a value or not at all.
"""

from __future__ import annotations

from dataclasses import astuple
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.template.loader import get_template
from django.utils.safestring import SafeString, mark_safe

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

MOST_KEPT = 4_000
"""At three kilobytes a row, 12 MB a process at most."""

_PLAIN = {str, int, float, bool, UUID, type(None)}


@lru_cache(maxsize=MOST_KEPT)
def drawn(template: str, row: DataclassInstance) -> SafeString:
    """A row as its template draws it: a frozen dataclass of plain values, which the template knows as ``row``.

    Raises ``TypeError`` for anything that could change under its own name, as rows of a table do.
    """
    _require_plain(astuple(row))
    return mark_safe(get_template(template).render({"row": row}))  # noqa: S308  # a template has drawn it


def _require_plain(value: Any) -> None:
    if isinstance(value, tuple):
        for part in value:
            _require_plain(part)
    elif type(value) not in _PLAIN:  # no kinds of them either: a text that is marked safe equals one that is not
        raise TypeError(f"{type(value).__name__} is no plain value, so a row that holds it cannot be kept")
