"""Sheets that were approved before it was kept which of them count under which version (``crewprep.sheets.counting``)."""

from collections import defaultdict

from django.db import migrations


def count_all(apps, schema_editor):
    """By the rule as it is on the day of this migration."""
    models = {name: apps.get_model("crewprep", name).objects for name in ("ConventionVersion", "Recheck")}
    lines = defaultdict(list)
    for version in models["ConventionVersion"].order_by("number"):
        lines[version.convention_id].append(version)
    later = {one.pk: line[place + 1 :] for line in lines.values() for place, one in enumerate(line)}
    looks = {
        (sheet, version): (ended, at)
        for sheet, version, ended, at in models["Recheck"].values_list(
            "sheet_id", "convention_version_id", "ended", "closed_at"
        )
    }
    own, latest = {}, {}
    for sheet in apps.get_model("crewprep", "SheetVersion").objects.order_by("track_id", "number").iterator():
        own.setdefault((sheet.track_id, sheet.convention_version_id), (sheet.crew_id, sheet.created_at))
        latest[sheet.track_id] = sheet
    counted = {}
    for track, sheet in latest.items():
        after = later[sheet.convention_version_id]
        known = [one for one in after if one.created_at <= sheet.created_at]
        for version in known[-1:] + after[len(known) :]:
            ended, at = looks.get((sheet.pk, version.pk), (None, None))
            if ended != "":
                counted[track, version.pk] = (sheet.crew_id, at or sheet.created_at)
    rows = apps.get_model("crewprep", "CountedSheet").objects
    rows.bulk_create(
        (
            rows.model(crew_id=crew, track_id=track, convention_version_id=version, since=since)
            for (track, version), (crew, since) in {**counted, **own}.items()
        ),
        batch_size=500,
        ignore_conflicts=True,
    )


class Migration(migrations.Migration):
    dependencies = [("crewprep", "0028_counted_sheets")]

    operations = [
        migrations.RunPython(count_all, migrations.RunPython.noop),
    ]
