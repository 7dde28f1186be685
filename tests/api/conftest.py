"""A crew with a member of each role, each with a token."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
from django.core.cache import cache
from knox.models import AuthToken

from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role, User
from tests import factories
from tests.api.contract import Caller
from tests.architecture.crews import joined_crews


def caller(user: User) -> Caller:
    """A caller with a token of the user."""
    return Caller(AuthToken.objects.create(user=user)[1])


@dataclass(frozen=True)
class Crewed:
    """A crew and its members; ``base`` is where its part of the API starts."""

    lead: Membership
    author: Membership
    reviewer: Membership
    newcomer: Membership
    crate: Crate

    @property
    def base(self) -> str:
        return f"/api/v1/crews/{self.lead.crew.slug}/"

    @property
    def convention(self) -> ConventionVersion:
        return self.crate.convention_version


@pytest.fixture(autouse=True)
def _fresh_throttles() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()


@pytest.fixture(autouse=True)
def _no_row_joins_two_crews(request: pytest.FixtureRequest) -> Iterator[None]:
    """Goal T4, after each test that had rows."""
    had_rows = "db" in request.fixturenames or request.node.get_closest_marker("django_db") is not None
    if had_rows:
        request.getfixturevalue("db")
    yield
    if had_rows:
        assert joined_crews() == []


@pytest.fixture
def crewed(db: None) -> Crewed:
    lead = factories.crew_with()
    return Crewed(
        lead=lead,
        author=factories.member_of(lead.crew),
        reviewer=factories.member_of(lead.crew),
        newcomer=factories.member_of(lead.crew, Role.NEWCOMER),
        crate=factories.crate(lead),
    )


@pytest.fixture
def as_member() -> Callable[[Membership], Caller]:
    return lambda member: caller(member.user)
