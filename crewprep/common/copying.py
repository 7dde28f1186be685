"""Making many rows out of others inside the database, where they would take seconds on their way through models."""

from __future__ import annotations

from typing import Any

from django.db import connection
from django.db.models import DateTimeField, Expression, Func, QuerySet, UUIDField, Value
from django.utils import timezone

from crewprep.common.models import Row


class _RandomId(Func):
    """A fresh id of a row, made by the database."""

    function = "GEN_RANDOM_UUID"
    output_field = UUIDField()

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return self.as_sql(compiler, connection, template="LOWER(HEX(RANDOMBLOB(16)))", **context)


def insert_from(model: type[Row], source: QuerySet[Any], **columns: Expression | str) -> int:
    """Insert a ``model`` for each row of ``source`` in one statement; returns how many.

    ``columns`` are the fields by the names of their columns, as expressions or fields of ``source``; id and time of
    making come by themselves. No signal is sent and nothing is filled in by default.
    """
    values = {"id": _RandomId(), "created_at": Value(timezone.now(), output_field=DateTimeField()), **columns}
    select, parameters = source.order_by().values_list(*values.values()).query.sql_with_params()
    names = ", ".join(map(connection.ops.quote_name, values))
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(f"INSERT INTO {table} ({names}) {select}", parameters)
        return int(cursor.rowcount)
