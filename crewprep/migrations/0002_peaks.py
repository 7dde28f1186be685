from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("crewprep", "0001_initial"),
    ]

    operations = [
        migrations.AddField(
            model_name="copy",
            name="peaks_key",
            field=models.CharField(blank=True, default="", max_length=200),
        ),
    ]
