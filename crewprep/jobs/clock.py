"""The clock by which leases are given and taken back."""

from __future__ import annotations

import datetime as dt

from django.db import connection
from django.utils import timezone


def now() -> dt.datetime:
    """The time, aware and in UTC: the database's own on PostgreSQL, where machines whose clocks differ share one table.

    With SQLite all processes share this machine's clock. ``clock_timestamp`` moves on inside a transaction, where
    ``now()`` would stand still.
    """
    if connection.vendor != "postgresql":
        return timezone.now()
    with connection.cursor() as cursor:
        cursor.execute("SELECT clock_timestamp()")
        row: tuple[dt.datetime] = cursor.fetchone()
    return row[0].astimezone(dt.UTC)
