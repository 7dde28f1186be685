from django.db import migrations

BATCH = 500


def fill(apps, schema_editor):
    """The oldest track with a file or a decode gets it; others with the same stay tracks of their own."""
    copies = apps.get_model("crewprep", "Copy").objects.order_by("created_at", "pk")
    known_audio = apps.get_model("crewprep", "KnownAudio")
    rows = []
    for copy in copies.iterator(chunk_size=BATCH):
        digests = [("file", copy.sha256)]
        if copy.pcm_sha256:
            digests.append(("decode", f"{copy.pcm_sha256}/{copy.sample_rate}/{copy.channels}"))
        rows += [
            known_audio(crew_id=copy.crew_id, track_id=copy.track_id, kind=kind, digest=digest)
            for kind, digest in digests
        ]
        if len(rows) >= BATCH:
            known_audio.objects.bulk_create(rows, ignore_conflicts=True)
            rows = []
    known_audio.objects.bulk_create(rows, ignore_conflicts=True)


class Migration(migrations.Migration):
    dependencies = [
        ("crewprep", "0008_known_audio"),
    ]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
