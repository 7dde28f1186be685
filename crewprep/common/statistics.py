"""What SQLite knows of its tables when it chooses an index."""

from __future__ import annotations

from django.db import connection


def refresh() -> None:
    """Have SQLite look at tables that have grown or shrunk a lot since it last did; else it chooses poor indices.

    It takes milliseconds, since it looks at a thousand rows of an index at most, and does nothing most of the time
    (https://sqlite.org/lang_analyze.html, "Recommended usage patterns"). PostgreSQL does that by itself.
    """
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA analysis_limit=1000")
            cursor.execute("PRAGMA optimize=0x10002")
