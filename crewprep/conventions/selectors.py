"""Reading conventions."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from analysis_worker.core.convention import ConventionRules
from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionDraft, ConventionVersion
from crewprep.crews.models import Membership

SLOT_FIELDS = (
    "number", "name", "function", "which", "kind", "loop_bars", "lead_bars", "snap_beats", "colour", "shape",
    "required", "guidance", "labels",
)  # fmt: skip
"""What a convention document says of a slot, in its order."""


def versions_of(member: Membership) -> QuerySet[ConventionVersion]:
    """All published versions in the member's crew, newest first."""
    return (
        ConventionVersion.objects.filter(crew=member.crew)
        .select_related("convention", "published_by")
        .prefetch_related("slots")
        .order_by("-created_at")
    )


def convention_version_for(member: Membership, version_id: UUID) -> ConventionVersion:
    """One published version; raises ``NotFound``."""
    version = versions_of(member).filter(pk=version_id).first()
    if version is None:
        raise NotFound
    return version


def current_version(member: Membership) -> ConventionVersion | None:
    """The version that the crew published last, which new crates are pinned to."""
    return versions_of(member).filter(followed_by__isnull=True).first()


def draft_of(member: Membership) -> ConventionDraft | None:
    """What the crew's leads are writing, or None."""
    return (
        ConventionDraft.objects.filter(crew=member.crew)
        .select_related("crew", "begun_from__convention", "changed_by")
        .prefetch_related("begun_from__slots")
        .first()
    )


def convention_draft_for(member: Membership) -> ConventionDraft:
    """The crew's draft; raises ``NotFound`` with ``convention:draft-none``."""
    draft = draft_of(member)
    if draft is None:
        raise NotFound("convention:draft-none")
    return draft


def newest_of_name(member: Membership, name: str) -> ConventionVersion | None:
    """The newest version of the crew's convention of that name, which a publication under it follows on from."""
    return versions_of(member).filter(convention__name=name).order_by("-number").first()


def as_document(version: ConventionVersion) -> dict[str, Any]:
    """The convention document (``analysis_worker/core/schemas/convention.schema.json``).

    ``labels`` is left out where none are agreed, so that a convention from before there were any reads as it did.
    """
    return {
        "name": version.convention.name,
        "slots": [
            {field: getattr(slot, field) for field in SLOT_FIELDS if field != "labels" or slot.labels}
            for slot in version.slots.all()
        ],
    }


def rules_of(version: ConventionVersion) -> ConventionRules:
    """The rules as the analysis reads them."""
    return ConventionRules.from_document(as_document(version))
