"""Addresses from before have been confirmed by nobody: each is mailed the link, once.

That mails went out to an address says that a mailbox took them, not whose it is, and whoever was mailed as a stranger
is whom this is for. So none counts as confirmed; the worker's next round sends the links. An address that stands in
several accounts gets one mail; the others ask for theirs on their account's page.
"""

from django.db import migrations


def ask(apps, schema_editor):
    User = apps.get_model("crewprep", "User")
    AddressMail = apps.get_model("crewprep", "AddressMail")
    people = User.objects.filter(is_active=True, former_number=None).exclude(email="").order_by("pk")
    first = {}
    for pk, email in people.values_list("pk", "email"):
        first.setdefault(email.lower(), (pk, email))
    AddressMail.objects.bulk_create(
        (AddressMail(recipient_id=pk, address=email) for pk, email in first.values()), batch_size=500
    )


class Migration(migrations.Migration):
    dependencies = [("crewprep", "0036_confirmed_addresses")]

    operations = [
        # Nothing to undo: the table of these mails goes with the migration before.
        migrations.RunPython(ask, migrations.RunPython.noop),
    ]
