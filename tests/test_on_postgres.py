"""The suite once more on PostgreSQL, where rivals really run side by side.

Left out there: what has no database, what is ``embedded_only``, and what starts its own servers anyway.
"""

from __future__ import annotations

import pytest

from tests.postgres_run import IS_SECOND, SecondRun


@pytest.mark.postgres
@pytest.mark.timeout(3600)  # it waits for a run that takes as long as all others together
@pytest.mark.skipif(IS_SECOND, reason="this is that run")
def test_the_suite_passes_on_postgresql(second_run: SecondRun) -> None:
    status, printed = second_run.result()
    assert status == 0, printed
    assert " passed" in printed
