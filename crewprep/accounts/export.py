"""Everything that is tied to a person, for them to read and to take along.

After the rights of access and portability of the General Data Protection Regulation (EU 2016/679, articles 15 and 20),
without a promise that every duty of whoever runs the service is met by it. What refers to a person is found by walking
the relations of the models, so a new model is in the export without being named here. Other people appear as "another
member" (articles 15, paragraph 4, and 20, paragraph 4: the rights of others), secrets and digests never.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.db import models
from django.db.models.fields.reverse_related import ForeignObjectRel
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.crews.models import Crew, Membership, User
from crewprep.tracks.models import Track

FORMAT, VERSION = "crewprep-account", 1

SECRET_WORDS = ("password", "secret", "token", "digest", "hash", "sha256")
"""A field with one of these in its name never leaves."""

PEOPLE = ("person", "former")
"""Where the details of the record hold the id of a user."""

LEFT_OUT: Mapping[tuple[str, str], str] = {
    ("crewprep.Crew", "members"): "The same as the memberships, which say more.",
}
"""Relations to a person that are not exported, each with the reason."""

ONLY: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("admin.LogEntry", "user"): ("action_time", "action_flag"),
    ("knox.AuthToken", "user"): ("created", "expiry"),
    ("crewprep.Analysis", "made_by"): ("created_at", "track", "correction"),
    ("crewprep.Job", "asked_by"): ("created_at", "track", "kind", "state", "finished_at"),
    ("crewprep.Proposal", "reviewed_by"): ("track", "state", "revision", "reviewed_at", "verdict_note", "heard"),
    ("crewprep.SheetVersion", "approved_by"): ("created_at", "track", "number"),
    ("crewprep.SignOff", "by"): ("created_at", "end", "note"),
}
"""By a relation, the fields that are of the person where a row is mostly somebody else's; all fields elsewhere."""

CHILDREN: Mapping[str, tuple[str, ...]] = {
    "crewprep.Proposal": ("markers",),
    "crewprep.ConventionVersion": ("slots",),
    "knox.AuthToken": ("scope",),
}
"""What belongs to a row and is exported inside it, where the whole row is the person's."""


@dataclass(frozen=True, slots=True)
class Tie:
    """A way from a row of ``model`` to a person: ``field`` is its name there, ``path`` what to ask for."""

    model: type[models.Model]
    field: str
    path: str

    @property
    def name(self) -> tuple[str, str]:
        """Model and field."""
        return self.model._meta.label, self.field


def ties() -> list[Tie]:
    """Every relation that leads to a user, or to a membership and so to its user."""
    found = [Tie(model, field, field) for model, field in _relations(User)]
    found += [Tie(model, field, f"{field}__user") for model, field in _relations(Membership)]
    return sorted(found, key=lambda tie: tie.name)


def export_of(user: User) -> dict[str, Any]:
    """The person's account and, model by model, the rows that are tied to them; plain values for JSON."""
    sections: dict[str, list[dict[str, Any]]] = {}
    exported = [tie for tie in ties() if tie.name not in LEFT_OUT]
    for model in dict.fromkeys(tie.model for tie in exported):
        rows = _rows(user, model, [tie for tie in exported if tie.model is model])
        sections[model._meta.object_name or ""] = list(rows)
    return {
        "format": FORMAT,
        "version": VERSION,
        "made_at": timezone.now().isoformat(),
        "account": {
            **_fields(user, user, None),
            "groups": [str(group) for group in user.groups.all()],
            "user_permissions": [str(permission) for permission in user.user_permissions.all()],
        },
        "sections": sections,
        "left_out": {f"{label}.{field}": reason for (label, field), reason in LEFT_OUT.items()},
    }


def _relations(to: type[models.Model]) -> Iterator[tuple[type[models.Model], str]]:
    for relation in to._meta.get_fields(include_hidden=True):
        if not isinstance(relation, ForeignObjectRel) or isinstance(relation.related_model, str):
            continue
        if relation.related_model._meta.auto_created:
            continue  # the table between two models; the field of one of them stands for it
        yield relation.related_model, relation.field.name


def _rows(user: User, model: type[models.Model], parts: list[Tie]) -> Iterator[dict[str, Any]]:
    """Rows of one model, each once, with the fields by which the person is tied to it."""
    tied: dict[Any, list[str]] = {}
    for part in parts:
        for pk in model._default_manager.filter(**{part.path: user}).values_list("pk", flat=True):
            tied.setdefault(pk, []).append(part.field)
    if model is Activity:
        for key in PEOPLE:
            for pk in Activity.objects.filter(**{f"details__{key}": user.pk}).values_list("pk", flat=True):
                tied.setdefault(pk, []).append(key)
    label = model._meta.label
    named = [field.name for field in model._meta.concrete_fields if field.related_model in (Crew, Track)]
    keys = list(tied)
    for start in range(0, len(keys), 500):
        found = model._default_manager.select_related(*named).in_bulk(keys[start : start + 500])
        for pk, row in found.items():
            limits = [ONLY.get((label, field)) for field in tied[pk]]
            only = None if None in limits else {name for limit in limits if limit for name in limit}
            children = {name: _children(user, row, name) for name in CHILDREN.get(label, ())}
            kept = children if only is None or model._meta.app_label == "knox" else {}
            yield {"you_are": sorted(tied[pk]), **_fields(user, row, only), **kept}


def _children(user: User, row: models.Model, name: str) -> list[dict[str, Any]]:
    relation = row._meta.get_field(name)
    assert isinstance(relation, ForeignObjectRel)
    assert not isinstance(relation.related_model, str)
    below = relation.related_model._default_manager.filter(**{relation.field.name: row})
    return [_fields(user, child, None) for child in below]


def _fields(user: User, row: models.Model, only: set[str] | None) -> dict[str, Any]:
    return {
        field.name: _value(user, row, field)
        for field in row._meta.concrete_fields
        if (only is None or field.name in only) and not any(word in field.name for word in SECRET_WORDS)
    }


def _value(user: User, row: models.Model, field: models.Field[Any, Any]) -> Any:
    value = getattr(row, field.attname)
    if value is None:
        return None
    if field.related_model is User:
        return "you" if value == user.pk else "another member"
    if field.related_model in (Crew, Track):
        return {"id": str(value), "name": str(getattr(row, field.name))}
    if isinstance(row, Activity) and field.name == "details":
        named = {key: value[key] for key in PEOPLE if value.get(key) is not None}
        return {**value, **{key: "you" if pk == user.pk else "another member" for key, pk in named.items()}}
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return str(value) if isinstance(value, uuid.UUID) or field.related_model else value
