"""Publishing conventions."""

from __future__ import annotations

import json
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Max

from analysis_worker.core.convention import COLOURS, SHAPES, ConventionRules
from crewprep.activity.services import record
from crewprep.common.errors import Invalid
from crewprep.conventions.models import Convention, ConventionVersion, Slot
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead

STARTERS = {"eight": "Eight slots", "four": "Four slots"}
"""Conventions that a new crew may start from: file name in ``fixtures/convention`` and what a page calls it."""


def starter(name: str) -> dict[str, Any]:
    """One of our own conventions as a document; raises ``KeyError`` for an unknown name."""
    if name not in STARTERS:
        raise KeyError(name)
    path = settings.BASE_DIR / "fixtures" / "convention" / f"{name}.json"
    document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return document


def publish_convention(*, member: Membership, document: dict[str, Any]) -> ConventionVersion:
    """Publish a convention document as the next version of the convention of that name.

    Raises ``Refused`` for anyone but a lead, ``Invalid`` naming the slot that cannot be used.
    """
    may_lead(member).require()
    try:
        rules = ConventionRules.from_document(document)
    except ValueError as error:
        raise Invalid("convention:invalid", detail=str(error)) from error
    name = rules.name.strip()
    if not name or len(name) > 80:
        raise Invalid("convention:invalid", detail="It needs a name of at most 80 letters.")
    for position, given in enumerate(document["slots"], start=1):
        for field, allowed in (("colour", COLOURS), ("shape", SHAPES)):
            if given.get(field) not in allowed:
                raise Invalid(
                    "convention:invalid", detail=f"Slot {position}: {field} must be one of {', '.join(allowed)}."
                )
        if len(str(given.get("name", ""))) > 40 or len(str(given.get("guidance", ""))) > 300:
            raise Invalid(
                "convention:invalid",
                detail=f"Slot {position}: a name has at most 40 letters, guidance at most 300.",
            )
    with transaction.atomic():
        convention, _ = Convention.objects.get_or_create(crew=member.crew, name=name)
        # Lock the convention, so that two leads publishing at once get two numbers.
        Convention.objects.select_for_update().get(pk=convention.pk)
        last = convention.versions.aggregate(last=Max("number"))["last"] or 0
        version = ConventionVersion.objects.create(
            crew=member.crew, convention=convention, number=last + 1, published_by=member.user
        )
        Slot.objects.bulk_create(
            Slot(
                version=version,
                number=rule.number,
                name=rule.name,
                function=rule.function,
                which=rule.which,
                kind=rule.kind,
                loop_bars=rule.loop_bars,
                lead_bars=rule.lead_bars,
                snap_beats=rule.snap_beats,
                required=rule.required,
                colour=given["colour"],
                shape=given["shape"],
                guidance=str(given.get("guidance", "")),
            )
            for rule, given in zip(rules.slots, document["slots"], strict=True)
        )
        record(actor=member.user, verb="convention published", subject=version, name=name, number=version.number)
    return version
