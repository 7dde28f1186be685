from django.db import migrations


def stand_all(apps, schema_editor):
    """Every track gets a row that is marked; it is computed when somebody looks."""
    tracks = apps.get_model("crewprep", "Track").objects.filter(standing=None).order_by()
    rows = apps.get_model("crewprep", "TrackStanding").objects
    rows.bulk_create(
        (rows.model(crew_id=crew, track_id=track) for crew, track in tracks.values_list("crew_id", "pk")),
        batch_size=500,
    )


class Migration(migrations.Migration):
    dependencies = [
        ("crewprep", "0013_track_standings"),
    ]

    operations = [
        migrations.RunPython(stand_all, migrations.RunPython.noop),
    ]
