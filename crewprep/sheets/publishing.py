"""Publishing a convention and moving a crate to another version, with what both do to approved sheets."""

from __future__ import annotations

from types import EllipsisType
from typing import Any

from django.db import transaction

from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.common.errors import Conflict
from crewprep.conventions import services as conventions
from crewprep.conventions.models import ConventionDraft, ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.sheets.affected import Effect, effect_on_convention, effect_on_crate
from crewprep.sheets.counting import count_kept, recount
from crewprep.sheets.rechecks import hold_lists, open_rechecks
from crewprep.sheets.services import ask_for_draft


def effect_of_draft(draft: ConventionDraft) -> Effect:
    """What publishing the draft would do to the crew's sheets; raises ``Invalid`` where it is not ready."""
    slots = conventions.slots_from(draft.document)
    return effect_on_convention(draft.crew, conventions.name_of(draft.document), slots)


@transaction.atomic
def publish(*, member: Membership, draft: ConventionDraft, seen_revision: int) -> ConventionVersion:
    """Publish the draft as it was seen, and open the re-check list of the version; raises as ``publish_draft``."""
    version = conventions.publish_draft(member=member, draft=draft, seen_revision=seen_revision)
    return _with_list(member, version)


@transaction.atomic
def publish_document(
    *, member: Membership, document: dict[str, Any], follows: ConventionVersion | EllipsisType | None = ...
) -> ConventionVersion:
    """Publish a document at once, without a draft, and open its re-check list; raises as ``publish_convention``."""
    version = conventions.publish_convention(member=member, document=document, follows=follows)
    return _with_list(member, version)


def move_crate(*, member: Membership, crate: Crate, version: ConventionVersion, seen_version: ConventionVersion) -> int:
    """Have a crate's tracks prepared by another version; returns how many of its sheets need a look.

    Asks for drafts by it and puts the touched sheets on its re-check list. A pending proposal stays with the version
    that it was made by. Raises ``Refused``, ``Conflict`` where the crate was moved meanwhile or follows it already.
    """
    may_fill_crates(member).require()
    if version.pk == crate.convention_version_id:
        raise Conflict("crate:same-version", name=str(version))
    with transaction.atomic():
        moved = Crate.objects.filter(pk=crate.pk, convention_version=seen_version).update(convention_version=version)
        if not moved:
            raise Conflict("crate:moved-already")
        record(
            actor=member.user,
            verb="crate moved",
            subject=crate,
            crate=crate.name,
            to=str(version),
            was=str(seen_version),
        )
        for analysis in _newest_analyses(crate):
            ask_for_draft(analysis=analysis, convention_version=version, asked_by=member.user)
        touched = effect_on_crate(crate, version)
        open_rechecks(version=version, effect=touched, by=member.user)
        recount([line.track_id for line in touched.touched.ids])
    crate.refresh_from_db()
    return len(touched.touched)


def _with_list(member: Membership, version: ConventionVersion) -> ConventionVersion:
    hold_lists(version.convention_id)
    effect = effect_on_convention(version.crew, version.convention.name, version.slots.all(), version=version)
    open_rechecks(version=version, effect=effect, by=member.user)
    count_kept(version)
    return version


def _newest_analyses(crate: Crate) -> list[Analysis]:
    found = {
        analysis.track_id: analysis
        for analysis in Analysis.objects.filter(track__in=crate.places.values("track"))
        .defer("facts")
        .select_related("track")
        .order_by("created_at")
    }
    return list(found.values())
