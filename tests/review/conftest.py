"""An author, a reviewer, and what they are about."""

from __future__ import annotations

import pytest

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.review.models import Proposal
from tests import factories


@pytest.fixture
def author(lead: Membership) -> Membership:
    return factories.member_of(lead.crew)


@pytest.fixture
def reviewer(lead: Membership) -> Membership:
    return factories.member_of(lead.crew)


@pytest.fixture
def proposal(author: Membership, crate: Crate) -> Proposal:
    return factories.proposal(author, into=crate)
