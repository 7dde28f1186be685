"""Migration 0037: addresses from before are mailed a link once, and none counts as confirmed."""

from __future__ import annotations

import pytest
from django.core import mail as outbox
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from crewprep.crews.models import User
from crewprep.notices.sending import send_due

BEFORE, AFTER = ("crewprep", "0035_standings_in_order"), ("crewprep", "0037_ask_for_addresses")


@pytest.mark.django_db(transaction=True)
def test_each_address_is_asked_once() -> None:
    executor = MigrationExecutor(connection)
    executor.migrate([BEFORE])
    try:
        old = executor.loader.project_state([BEFORE]).apps
        people, mails = old.get_model("crewprep", "User"), old.get_model("crewprep", "Mail")
        crew = old.get_model("crewprep", "Crew").objects.create(name="Ours", slug="ours")
        mailed = people.objects.create(username="mailed", email="mailed@crew.invalid")
        mails.objects.create(crew=crew, recipient=mailed, state="sent", sent_at="2026-01-01T00:00:00Z")
        people.objects.create(username="twin", email="Mailed@crew.invalid")
        people.objects.create(username="typed", email="typed@crew.invalid")
        people.objects.create(username="none")
        people.objects.create(username="away", email="away@crew.invalid", is_active=False)
        executor = MigrationExecutor(connection)
        executor.migrate([AFTER])
    finally:
        executor = MigrationExecutor(connection)
        executor.migrate(executor.loader.graph.leaf_nodes())
    assert User.objects.exclude(confirmed_email="").count() == 0
    assert send_due() == 2
    assert sorted(message.to[0] for message in outbox.outbox) == ["mailed@crew.invalid", "typed@crew.invalid"]
