"""Writing the record."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from django.db import transaction

from crewprep.activity.models import Activity

if TYPE_CHECKING:
    from crewprep.common.models import CrewRow
    from crewprep.crews.models import User

Listener = Callable[[Activity, "CrewRow"], None]

_listeners: list[Listener] = []


def listen(listener: Listener) -> None:
    """Have ``listener`` called with every activity row and its subject, inside the transaction of the change."""
    if listener not in _listeners:
        _listeners.append(listener)


def record(*, actor: User | None, verb: str, subject: CrewRow, **details: Any) -> Activity:
    """Write one activity row; must be called inside the transaction of the change itself.

    Raises ``TransactionManagementError`` outside a transaction.
    """
    if not transaction.get_connection().in_atomic_block:
        raise transaction.TransactionManagementError(
            f"{verb}: an activity row belongs in the transaction of its change."
        )
    row = Activity.objects.create(
        crew_id=subject.crew_id, actor=actor, verb=verb, subject_kind=type(subject).__name__.lower(),
        subject_id=subject.pk, details=details,
    )  # fmt: skip
    for listener in _listeners:
        listener(row, subject)
    return row
