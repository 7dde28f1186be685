"""The record names people by id, so that a name can change or be erased without altering it.

Rows written before named them by user name (``user``) or by the name that others see (``to``). Who is meant stays; only
how they are named changes, here and once. Where no single user of the crew has the name, nobody can be told any more
and the name goes all the same, since an erased one must not live on here.
"""

from django.db import migrations


def name_by_id(apps, schema_editor):
    Activity = apps.get_model("crewprep", "Activity")
    User = apps.get_model("crewprep", "User")
    rows = Activity.objects.filter(verb__in=["member added", "role changed", "member removed", "track assigned"])
    for row in list(rows):
        details = dict(row.details)
        username, shown = details.pop("user", None), details.pop("to", None)
        if "person" in details:
            continue
        people = User.objects.none()
        if username:
            people = User.objects.filter(username=username)
        elif shown:
            members = User.objects.filter(memberships__crew_id=row.crew_id)
            people = members.filter(display_name=shown) or members.filter(display_name="", username=shown)
        found = list(people[:2])
        details["person"] = found[0].pk if len(found) == 1 else None
        Activity.objects.filter(pk=row.pk).update(details=details)


class Migration(migrations.Migration):
    dependencies = [("crewprep", "0011_crew_life")]

    operations = [
        # Nothing to undo: where the names came from, people have ids as well.
        migrations.RunPython(name_by_id, migrations.RunPython.noop),
    ]
