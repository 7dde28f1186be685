"""The base of every row: a random id and the time it was made."""

from __future__ import annotations

import uuid

from django.db import models


class Row(models.Model):
    """A row with a random id, so that an id tells nothing about its neighbours."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    created_at = models.DateTimeField(auto_now_add=True, editable=False)

    class Meta:
        abstract = True


class CrewRow(Row):
    """A row that belongs to one crew, the tenant. Only ``X_for(member, id)`` functions hand such rows to a request."""

    crew = models.ForeignKey("crewprep.Crew", on_delete=models.CASCADE, related_name="+")

    class Meta:
        abstract = True
