"""Versions from before they said what they follow are put in line, crew by crew, in the order of their publication."""

from __future__ import annotations

import datetime as dt
from importlib import import_module
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection
from django.utils import timezone

from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


def test_versions_get_in_line(lead: Membership) -> None:
    other = factories.crew_with()
    mine = [factories.convention(lead, name=name) for name in ("House", "Another", "House")]
    theirs = [factories.convention(other, name="House")]
    for age, version in enumerate(reversed(mine)):
        made = timezone.now() - dt.timedelta(days=age)
        ConventionVersion.objects.filter(pk=version.pk).update(created_at=made)
    folder = Path(__file__).resolve().parents[2] / "crewprep" / "migrations"
    name = next(path.stem for path in folder.glob("*_conventions_in_line.py"))
    migration = import_module(f"crewprep.migrations.{name}")
    first = next(one for one in ConventionVersion._meta.constraints if "first" in one.name)
    with connection.schema_editor() as editor:
        editor.remove_constraint(ConventionVersion, first)
    migration.let_go(apps, None)
    assert not ConventionVersion.objects.exclude(follows=None).exists()
    migration.line_up(apps, None)
    with connection.schema_editor() as editor:
        editor.add_constraint(ConventionVersion, first)
    rows = dict(ConventionVersion.objects.values_list("pk", "follows"))
    assert [rows[version.pk] for version in (*mine, *theirs)] == [None, mine[0].pk, mine[1].pk, None]
    assert (current_version(lead), current_version(other)) == (mine[2], theirs[0])
