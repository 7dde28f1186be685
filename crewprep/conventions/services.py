"""Writing a convention as a draft, and publishing it as a numbered version that never changes.

What publishing does to approved sheets is ``crewprep.sheets.publishing``, which the doors call.
"""

from __future__ import annotations

import json
from types import EllipsisType
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Max
from django.utils import timezone

from analysis_worker.core.convention import COLOURS, SHAPES, ConventionRules
from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import Convention, ConventionDraft, ConventionVersion, Slot
from crewprep.conventions.selectors import convention_draft_for, current_version, draft_of, newest_of_name
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


def slots_from(document: dict[str, Any]) -> list[Slot]:
    """The slots of a document as unsaved rows; raises ``Invalid`` naming the slot that cannot be used."""
    try:
        rules = ConventionRules.from_document(document)
    except ValueError as error:
        raise Invalid("convention:invalid", detail=str(error)) from error
    name = name_of(document)
    if not name or len(name) > 80:
        raise Invalid("convention:invalid", detail="It needs a name of at most 80 letters.")
    for rule, given in zip(rules.slots, document["slots"], strict=True):
        for field, allowed in (("colour", COLOURS), ("shape", SHAPES)):
            if given.get(field) not in allowed:
                raise Invalid(
                    "convention:invalid", detail=f"Slot {rule.number}: {field} must be one of {', '.join(allowed)}."
                )
        if len(str(given.get("name", ""))) > 40 or len(str(given.get("guidance", ""))) > 300:
            raise Invalid(
                "convention:invalid",
                detail=f"Slot {rule.number}: a name has at most 40 letters, guidance at most 300.",
            )
    return [
        Slot(
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
            labels=list(rule.labels),
        )
        for rule, given in zip(rules.slots, document["slots"], strict=True)
    ]


def name_of(document: dict[str, Any]) -> str:
    """The name in a document, without spaces around it."""
    return str(document.get("name", "")).strip()


def save_draft(*, member: Membership, document: dict[str, Any], seen_revision: int) -> ConventionDraft:
    """Keep what a lead has written over the revision that they saw (0 for none); it need not be ready to publish.

    Raises ``Refused``, ``Conflict`` where somebody else saved or published meanwhile, which changes nothing.
    """
    may_lead(member).require()
    now = timezone.now()
    try:
        with transaction.atomic():
            if seen_revision == 0:
                ConventionDraft.objects.create(
                    crew=member.crew, document=document, begun_from=current_version(member),
                    changed_by=member.user, changed_at=now,
                )  # fmt: skip
            elif not ConventionDraft.objects.filter(crew=member.crew, revision=seen_revision).update(
                document=document, revision=seen_revision + 1, changed_by=member.user, changed_at=now
            ):
                raise _moved_on(member)
            draft = convention_draft_for(member)
            record(actor=member.user, verb="convention draft saved", subject=draft, revision=draft.revision)
    except IntegrityError as error:
        raise _moved_on(member) from error
    return draft


def renew_draft(*, member: Membership, draft: ConventionDraft, seen_revision: int) -> ConventionDraft:
    """Say that the draft has been compared with the version published since: it counts as begun from that one.

    Raises ``Refused``, ``Conflict`` where the draft has moved on.
    """
    may_lead(member).require()
    with transaction.atomic():
        current = current_version(member)
        if not ConventionDraft.objects.filter(pk=draft.pk, revision=seen_revision).update(
            begun_from=current, revision=seen_revision + 1, changed_by=member.user, changed_at=timezone.now()
        ):
            raise _moved_on(member)
        record(actor=member.user, verb="convention draft compared", subject=draft, version=str(current))
    return convention_draft_for(member)


def drop_draft(*, member: Membership, draft: ConventionDraft, seen_revision: int) -> None:
    """Throw the draft away. Raises ``Refused``, ``Conflict`` where it has moved on."""
    may_lead(member).require()
    with transaction.atomic():
        if not ConventionDraft.objects.filter(pk=draft.pk, revision=seen_revision).delete()[0]:
            raise _moved_on(member)
        record(actor=member.user, verb="convention draft dropped", subject=draft)


def publish_draft(*, member: Membership, draft: ConventionDraft, seen_revision: int) -> ConventionVersion:
    """Publish the revision of the draft that was seen; of two leads who do so at once, one wins.

    Raises ``Refused``, ``Invalid`` naming what is not ready, ``Conflict`` where the draft or the convention has moved
    on or nothing differs.
    """
    may_lead(member).require()
    with transaction.atomic():
        if not ConventionDraft.objects.filter(pk=draft.pk, revision=seen_revision).delete()[0]:
            raise _moved_on(member)
        before = newest_of_name(member, name_of(draft.document))
        if before is not None and before == draft.begun_from and _same(before, draft.document):
            raise Conflict("convention:unchanged", name=str(before))
        return publish_convention(member=member, document=draft.document, follows=draft.begun_from)


def publish_convention(
    *, member: Membership, document: dict[str, Any], follows: ConventionVersion | EllipsisType | None = ...
) -> ConventionVersion:
    """Publish a convention document as the next version of the convention of that name.

    ``follows`` is the version that it was written from, None for a crew's first; left out it is the current one.
    Raises ``Refused`` for anyone but a lead, ``Invalid`` naming the slot that cannot be used, ``Conflict`` where
    another version was published since.
    """
    may_lead(member).require()
    slots, name = slots_from(document), name_of(document)
    current = current_version(member)
    before = current if isinstance(follows, EllipsisType) else follows
    if before != current:
        raise Conflict("convention:newer", name=str(current))
    try:
        with transaction.atomic():
            convention, _ = Convention.objects.get_or_create(crew=member.crew, name=name)
            last = convention.versions.aggregate(last=Max("number"))["last"] or 0
            version = ConventionVersion.objects.create(
                crew=member.crew, convention=convention, number=last + 1, published_by=member.user, follows=before
            )
            for slot in slots:
                slot.version = version
            Slot.objects.bulk_create(slots)
            record(actor=member.user, verb="convention published", subject=version, name=name, number=version.number)
    except IntegrityError as error:
        raise Conflict("convention:newer", name=str(current_version(member))) from error
    return version


def _same(version: ConventionVersion, document: dict[str, Any]) -> bool:
    return compare_slots(version.slots.all(), slots_from(document)).same


def _moved_on(member: Membership) -> Conflict:
    draft, current = draft_of(member), current_version(member)
    by = draft.changed_by if draft else current.published_by if current else None
    return Conflict("convention:draft-moved-on", by=str(by or "Somebody"))
