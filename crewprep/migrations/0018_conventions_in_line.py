from __future__ import annotations

from typing import Any

from django.db import migrations


def line_up(apps: Any, schema_editor: Any) -> None:
    """Each version follows the one that its crew published before it."""
    versions = apps.get_model("crewprep", "ConventionVersion").objects
    before: dict[Any, Any] = {}
    for pk, crew in list(versions.order_by("crew_id", "created_at", "pk").values_list("pk", "crew_id")):
        versions.filter(pk=pk).update(follows=before.get(crew))
        before[crew] = pk


def let_go(apps: Any, schema_editor: Any) -> None:
    """Back to versions that follow nothing."""
    apps.get_model("crewprep", "ConventionVersion").objects.update(follows=None)


class Migration(migrations.Migration):
    dependencies = [
        ("crewprep", "0017_conventions_that_live"),
    ]

    operations = [migrations.RunPython(line_up, let_go)]
