"""Reading conventions."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from analysis_worker.core.convention import ConventionRules
from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership


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
    return versions_of(member).first()


def as_document(version: ConventionVersion) -> dict[str, Any]:
    """The convention document (``analysis_worker/core/schemas/convention.schema.json``)."""
    return {
        "name": version.convention.name,
        "slots": [
            {
                "number": slot.number,
                "name": slot.name,
                "function": slot.function,
                "which": slot.which,
                "kind": slot.kind,
                "loop_bars": slot.loop_bars,
                "lead_bars": slot.lead_bars,
                "snap_beats": slot.snap_beats,
                "colour": slot.colour,
                "shape": slot.shape,
                "required": slot.required,
                "guidance": slot.guidance,
            }
            for slot in version.slots.all()
        ],
    }


def rules_of(version: ConventionVersion) -> ConventionRules:
    """The rules as the analysis reads them."""
    return ConventionRules.from_document(as_document(version))
