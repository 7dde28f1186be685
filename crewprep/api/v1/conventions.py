"""Published conventions, and publishing another."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.convention import (
    COLOURS,
    FUNCTIONS,
    KINDS,
    MAX_LABEL_LETTERS,
    MAX_LABELS,
    MAX_SLOTS,
    MIN_SLOTS,
    SHAPES,
    SNAPS_BEATS,
    WHICH,
)  # fmt: skip
from crewprep.api.base import CrewEndpoint, WholeNumber, listed, several
from crewprep.api.v1.people import person_field
from crewprep.conventions.comparison import KINDS as KINDS_OF_CHANGE
from crewprep.conventions.comparison import SlotChange, compare_slots
from crewprep.conventions.models import ConventionVersion
from crewprep.conventions.selectors import as_document, convention_version_for, versions_of
from crewprep.sheets.publishing import publish_document


class SlotDocument(serializers.Serializer[object]):
    """A numbered place in the convention."""

    number = WholeNumber(min_value=1, max_value=MAX_SLOTS)
    name = serializers.CharField(max_length=40)
    function = serializers.ChoiceField(choices=FUNCTIONS)
    which = serializers.ChoiceField(choices=WHICH, default="first")
    kind = serializers.ChoiceField(choices=KINDS, default="point")
    loop_bars = WholeNumber(
        min_value=1, max_value=64, allow_null=True, default=None, help_text="Length of a loop; null for a point."
    )
    lead_bars = WholeNumber(
        min_value=0, max_value=64, default=0, help_text="Bars that the marker lies before what it names."
    )
    snap_beats = serializers.FloatField(
        min_value=min(SNAPS_BEATS), max_value=max(SNAPS_BEATS), required=False,
        help_text=f"Grid fraction: one of {', '.join(map(str, SNAPS_BEATS))}.",
    )  # fmt: skip
    colour = serializers.ChoiceField(choices=COLOURS)
    shape = serializers.ChoiceField(choices=SHAPES)
    required = serializers.BooleanField(default=False)  # type: ignore[assignment]  # a use of its own
    guidance = serializers.CharField(max_length=300, allow_blank=True, default="")
    labels = serializers.ListField(
        child=serializers.CharField(max_length=MAX_LABEL_LETTERS), max_length=MAX_LABELS, required=False,
        help_text="What a marker's label must be one of, whatever its case, without commas; empty, any will do.",
    )  # fmt: skip


class ConventionDocument(serializers.Serializer[object]):
    """A convention as it is shared and stored."""

    name = serializers.CharField(max_length=80)
    slots = several(SlotDocument, min_length=MIN_SLOTS, max_length=MAX_SLOTS)


class ConventionSummaryOut(serializers.Serializer[ConventionVersion]):
    """A published version."""

    id = serializers.UUIDField()
    name = serializers.CharField(source="convention.name")
    version = serializers.IntegerField(source="number")
    published_by = person_field(allow_null=True)
    published_at = serializers.DateTimeField(source="created_at")


class ConventionOut(ConventionSummaryOut):
    """A published version with its rules."""

    document = serializers.SerializerMethodField()

    @extend_schema_field(ConventionDocument)
    def get_document(self, version: ConventionVersion) -> dict[str, Any]:
        """The rules."""
        return as_document(version)


class PublishIn(ConventionDocument):
    """A convention to publish at once."""

    follows = serializers.UUIDField(
        required=False, allow_null=True,
        help_text="The version that it was written from; the answer is 409 where another has been published since.",
    )  # fmt: skip


class SlotChangeOut(serializers.Serializer[SlotChange]):
    """One slot before and after; old is null where it was added, new where it was retired."""

    kinds = serializers.ListField(child=serializers.ChoiceField(choices=KINDS_OF_CHANGE))
    old = SlotDocument(allow_null=True)
    new = SlotDocument(allow_null=True)


class CompareQuery(serializers.Serializer[object]):
    """What to compare with."""

    def get_fields(self) -> dict[str, Any]:
        """``with`` is a word of the language, so it cannot be an attribute."""
        return {
            "with": serializers.UUIDField(
                required=False, help_text="Another version; the one that it follows where it is left out."
            )
        }


class Conventions(CrewEndpoint):
    """The crew's published conventions."""

    @extend_schema(operation_id="list_conventions", responses=ConventionSummaryOut(many=True), tags=["conventions"])
    def get(self, request: Request, crew: str) -> Response:
        """Every published version, newest first; new crates are pinned to the first."""
        return Response(listed(ConventionSummaryOut, versions_of(self.member)))

    @extend_schema(
        operation_id="publish_convention", request=PublishIn, responses={201: ConventionOut},
        tags=["conventions"],
    )  # fmt: skip
    def post(self, request: Request, crew: str) -> Response:
        """Publish the next version of the convention of that name at once, and open its re-check list (leads)."""
        document = self.read(PublishIn, request)
        named = document.pop("follows", ...)
        follows = named if named in (..., None) else convention_version_for(self.member, named)
        version = publish_document(member=self.member, document=document, follows=follows)
        return Response(ConventionOut(version).data, status=201)


class OneConvention(CrewEndpoint):
    """One published version."""

    @extend_schema(operation_id="get_convention", responses=ConventionOut, tags=["conventions"])
    def get(self, request: Request, crew: str, convention: UUID) -> Response:
        """A published version with its document."""
        return Response(ConventionOut(convention_version_for(self.member, convention)).data)


class ComparedConventions(CrewEndpoint):
    """Two versions, slot by slot."""

    @extend_schema(
        operation_id="compare_conventions", parameters=[CompareQuery], responses=SlotChangeOut(many=True),
        tags=["conventions"],
    )  # fmt: skip
    def get(self, request: Request, crew: str, convention: UUID) -> Response:
        """The slots that differ from another version, from the one that it follows unless `?with=` names one.

        Slots are matched by what they are for, so a slot that only moved to another number is known again.
        """
        version = convention_version_for(self.member, convention)
        named = self.read_query(CompareQuery, request).get("with")
        other = version.follows if named is None else convention_version_for(self.member, named)
        changes = compare_slots(other.slots.all() if other else [], version.slots.all()).changes
        return Response(listed(SlotChangeOut, [change for change in changes if change.kinds]))
