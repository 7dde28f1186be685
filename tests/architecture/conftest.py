"""Two crews for the tests that walk the URL map."""

from __future__ import annotations

import pytest

from tests.architecture.world import CrewWorld, make_crew


@pytest.fixture
def ours(db: None) -> CrewWorld:
    return make_crew("amber")


@pytest.fixture
def theirs(db: None) -> CrewWorld:
    return make_crew("cobalt")
