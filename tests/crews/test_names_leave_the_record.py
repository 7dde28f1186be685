"""Migration 0012: rows of the record name people by id; rows before, rows after."""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

BEFORE, AFTER = ("crewprep", "0011_crew_life"), ("crewprep", "0012_names_leave_the_record")


@pytest.mark.django_db(transaction=True)
def test_people_are_named_by_id_and_no_name_is_left() -> None:
    executor = MigrationExecutor(connection)
    executor.migrate([BEFORE])
    try:
        old = executor.loader.project_state([BEFORE]).apps
        user_model, crew_model = old.get_model("crewprep", "User"), old.get_model("crewprep", "Crew")
        crew = crew_model.objects.create(name="Ours", slug="ours")
        elsewhere = crew_model.objects.create(name="Theirs", slug="theirs")
        anka, wim, twin, away = (
            user_model.objects.create(username=name, display_name=shown)
            for name, shown in (("anka", "Anka Tarn"), ("wim", ""), ("twin", "Same Name"), ("away", "Same Name"))
        )
        other = user_model.objects.create(username="other", display_name="Same Name")
        members = old.get_model("crewprep", "Membership")
        for person, place in ((anka, crew), (wim, crew), (twin, crew), (other, crew), (away, elsewhere)):
            members.objects.create(crew=place, user=person, role="resident")

        def row(verb: str, place: Any = crew, **details: Any) -> uuid.UUID:
            made = old.get_model("crewprep", "Activity").objects.create(
                crew=place, verb=verb, subject_kind="membership", subject_id=uuid.uuid4(), details=details
            )
            return made.pk

        expected = {
            row("member added", user="anka", role="lead"): {"role": "lead", "person": anka.pk},
            row("role changed", user="wim", role="lead"): {"role": "lead", "person": wim.pk},
            row("member removed", user="gone"): {"person": None},
            row("track assigned", to="Anka Tarn", track="T"): {"track": "T", "person": anka.pk},
            row("track assigned", to="wim", track="T"): {"track": "T", "person": wim.pk},
            row("track assigned", to="Same Name", track="T"): {"track": "T", "person": None},
            row("track assigned", elsewhere, to="Same Name", track="T"): {"track": "T", "person": away.pk},
            row("member added", person=wim.pk, role="lead"): {"person": wim.pk, "role": "lead"},
            row("crate made", name="anka", user="anka"): {"name": "anka", "user": "anka"},
        }
        executor = MigrationExecutor(connection)
        executor.migrate([AFTER])
        new = executor.loader.project_state([AFTER]).apps
        found = dict(new.get_model("crewprep", "Activity").objects.values_list("pk", "details"))
        assert found == expected
    finally:
        executor = MigrationExecutor(connection)
        executor.migrate(executor.loader.graph.leaf_nodes())
