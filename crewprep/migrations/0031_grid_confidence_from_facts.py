from django.db import migrations


def fill(apps, schema_editor):
    """The column repeats what the facts of older analyses say."""
    analyses = apps.get_model("crewprep", "Analysis").objects
    for pk, confidence in list(analyses.order_by().values_list("pk", "facts__grid_confidence")):
        if confidence is not None and confidence != 1.0:
            analyses.filter(pk=pk).update(grid_confidence=confidence)


class Migration(migrations.Migration):
    dependencies = [("crewprep", "0030_grid_confidence_of_analyses")]

    operations = [
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
