"""What tests of the job table share."""

from __future__ import annotations

import uuid
from collections.abc import Callable

import pytest

from crewprep.jobs import bell


@pytest.fixture
def rung(monkeypatch: pytest.MonkeyPatch) -> list[uuid.UUID]:
    """Bells that were rung, instead of a broker."""
    ids: list[uuid.UUID] = []
    monkeypatch.setattr(bell, "ring", heard_by(ids))
    return ids


def heard_by(ids: list[uuid.UUID]) -> Callable[[uuid.UUID], bool]:
    def ring(job_id: uuid.UUID) -> bool:
        ids.append(job_id)
        return True

    return ring
