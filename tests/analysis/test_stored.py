"""What a stored analysis repeats of its facts."""

from __future__ import annotations

import importlib

import pytest
from django.apps import apps

from crewprep.analysis.models import Analysis
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_grid_confidence_stands_in_a_column_of_older_analyses_too(resident: Membership, crate: Crate) -> None:
    factories.analysed_track(resident, crate)
    stored = Analysis.objects.get()
    assert stored.grid_confidence == stored.result.grid_confidence == 0.95
    Analysis.objects.update(grid_confidence=1.0)
    importlib.import_module("crewprep.migrations.0031_grid_confidence_from_facts").fill(apps, None)
    assert Analysis.objects.get().grid_confidence == 0.95
