"""The record: in the change's own transaction, and never altered."""

from __future__ import annotations

import pytest
from django.db import transaction

from crewprep.activity.models import Activity
from crewprep.activity.services import record
from tests import factories


@pytest.mark.django_db(transaction=True)
def test_a_row_outside_a_transaction_is_refused() -> None:
    lead = factories.crew_with()
    with pytest.raises(transaction.TransactionManagementError):
        record(actor=lead.user, verb="alone", subject=lead)


@pytest.mark.django_db
def test_rows_cannot_be_changed_or_removed() -> None:
    factories.crew_with()
    row = Activity.objects.get(verb="crew founded")
    row.verb = "something else"
    for alter in (
        row.save,
        row.delete,
        Activity.objects.all().delete,
        lambda: Activity.objects.update(verb="something else"),
    ):
        with pytest.raises(TypeError):
            alter()
    assert Activity.objects.get(pk=row.pk).verb == "crew founded"
