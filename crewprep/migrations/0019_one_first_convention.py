from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("crewprep", "0018_conventions_in_line"),
    ]

    operations = [
        migrations.AddConstraint(
            model_name="conventionversion",
            constraint=models.UniqueConstraint(
                condition=models.Q(("follows__isnull", True)),
                fields=("crew",),
                name="convention_version_one_first_per_crew",
            ),
        ),
    ]
