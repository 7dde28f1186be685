"""Looks through all tables for rows that join two crews (goal T4)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from django.apps import apps
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Q

from crewprep.models import Crew


def crew_paths(model: type[models.Model], depth: int = 2) -> Iterator[str]:
    """Every way from a row to a crew: its own column first, then those of what it points at."""
    for field in model._meta.concrete_fields:
        target = field.related_model
        if not isinstance(field, models.ForeignKey) or target is None or isinstance(target, str):
            continue
        if target is Crew:
            yield field.name
        elif depth and target._meta.app_label == "crewprep":
            for path in crew_paths(target, depth - 1):
                yield f"{field.name}__{path}"


def checked() -> dict[type[models.Model], list[str]]:
    """The models with more than one way to a crew, and those ways."""
    found = {}
    for model in apps.get_app_config("crewprep").get_models(include_auto_created=True):
        paths = list(crew_paths(model))
        if len(paths) > 1:
            found[model] = paths
    return found


def joined_crews() -> list[str]:
    """Rows from which two ways lead to two crews."""
    wrong = []
    for model, (first, *others) in checked().items():
        for other in others:
            rows = model._base_manager.filter(~Q(**{first: F(other)}), **{f"{other}__isnull": False})
            wrong += [f"{model.__name__} {pk}: {first} is not {other}" for pk in rows.values_list("pk", flat=True)]
    return wrong


def fingerprint(crew: Crew) -> dict[str, str]:
    """A hash of all rows that belong to a crew, table by table."""
    encode = DjangoJSONEncoder(sort_keys=True).encode
    found = {}
    for model in apps.get_app_config("crewprep").get_models(include_auto_created=True):
        paths: list[Any] = list(crew_paths(model))
        if not paths:
            continue
        rows = model._base_manager.filter(**{paths[0]: crew}).order_by("pk").values()
        found[model.__name__] = hashlib.sha256("\n".join(encode(row) for row in rows).encode()).hexdigest()
    return found
