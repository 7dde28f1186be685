"""A crew with its members and a crate: fixtures for every test that needs people (loaded by ``tests/conftest.py``)."""

from __future__ import annotations

import pytest

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from tests import factories


@pytest.fixture
def lead() -> Membership:
    return factories.crew_with()


@pytest.fixture
def resident(lead: Membership) -> Membership:
    return factories.member_of(lead.crew, Role.RESIDENT)


@pytest.fixture
def newcomer(lead: Membership) -> Membership:
    return factories.member_of(lead.crew, Role.NEWCOMER)


@pytest.fixture
def crate(lead: Membership) -> Crate:
    return factories.crate(lead)
