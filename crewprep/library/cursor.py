"""Going on in a long list from the last row that was seen, so that rows which come and go meanwhile shift nothing.

A cursor is that row's place in the order: its value of the sorted column, its title and its id.
"""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import json
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from crewprep.common.errors import Invalid
from crewprep.library.models import TrackStanding
from crewprep.library.search import SORTS


def cursor_of(row: TrackStanding, sort: str) -> str:
    """The cursor after a row of a list that is sorted so."""
    value = getattr(row, SORTS[sort.removeprefix("-")])
    if isinstance(value, dt.datetime):
        value = value.isoformat()
    text = json.dumps([sort, value, row.sort_title, str(row.track_id)])
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def beyond(rows: QuerySet[TrackStanding], sort: str, cursor: str) -> QuerySet[TrackStanding]:
    """Those of the rows that come after a cursor; raises ``Invalid`` for one that is none, or of another order."""
    value, title, track_id = _read(cursor, sort)
    column = SORTS[sort.removeprefix("-")]
    tail = Q(track_id__gt=track_id)
    if column != "sort_title":
        tail = Q(sort_title__gt=title) | (Q(sort_title=title) & tail)
    if value is None:  # rows without a value come last
        return rows.filter(Q(**{f"{column}__isnull": True}) & tail)
    side = "lt" if sort.startswith("-") else "gt"
    later = Q(**{f"{column}__{side}": value}) | Q(**{f"{column}__isnull": True})
    return rows.filter(later | (Q(**{column: value}) & tail))


def _read(cursor: str, sort: str) -> tuple[Any, str, UUID]:
    try:
        padded = cursor.encode("ascii") + b"=" * (-len(cursor) % 4)
        kept, value, title, track_id = json.loads(base64.urlsafe_b64decode(padded))
        if kept != sort or not isinstance(title, str):
            raise ValueError
        column = SORTS[sort.removeprefix("-")]
        if value is not None:
            if column == "added_at":
                value = dt.datetime.fromisoformat(value)
            elif column in ("sort_title", "sort_artist", "state", "key_name"):
                value = str(value)
            else:
                value = float(value)
        return value, title, UUID(track_id)
    except (ValueError, TypeError, AttributeError, binascii.Error, UnicodeEncodeError) as error:
        raise Invalid("search:cursor") from error
