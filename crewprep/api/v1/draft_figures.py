"""How drafts fare: the figures that the page of that name shows, by engine, slot and band of confidence."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, several
from crewprep.onboarding.draft_figures import (
    Band,
    SlotFigures,
    Tally,
    calibration,
    draft_figures,
    engines_of,
    newest_first,
)
from crewprep.onboarding.figures import Share


class DraftFiguresQuery(serializers.Serializer[object]):
    """Which engine's drafts."""

    engine = serializers.CharField(
        required=False, max_length=20, help_text="A version of the analysis; all of them where it is left out."
    )


class DraftShareOut(serializers.Serializer[Share]):
    """A share with its Wilson interval at 95 %; of nothing it has no value, and the interval is 0 to 1."""

    count = serializers.IntegerField(source="successes")
    of = serializers.IntegerField(source="trials")
    value = serializers.FloatField(allow_null=True, help_text="0 to 1.")
    low = serializers.FloatField(source="interval.low")
    high = serializers.FloatField(source="interval.high")

    def to_representation(self, instance: Share) -> dict[str, object]:
        """By hand: field by field the shares, of which there are hundreds, were a quarter of the answer's time."""
        return {
            "count": instance.successes,
            "of": instance.trials,
            "value": instance.value,
            "low": instance.interval.low,
            "high": instance.interval.high,
        }


class DraftTallyOut(serializers.Serializer[Tally]):
    """What became of drafts. Shares are of the drafted markers, but `added` is of those in the approved sheets."""

    drafted = serializers.IntegerField()
    mean_confidence = serializers.FloatField(source="confidence", allow_null=True, help_text="0 to 1.")
    kept = DraftShareOut(source="kept_share", help_text="Within a quarter of a beat, a loop's end too.")
    near = DraftShareOut(source="near_share", help_text="Kept, or moved by a beat at most.")
    moved = DraftShareOut(source="moved_share")
    phrases = DraftShareOut(source="phrases_share", help_text="Moved by whole phrases.")
    dropped = DraftShareOut(source="dropped_share")
    added = DraftShareOut(source="added_share", help_text="Set by a member where the draft left the slot empty.")
    median_beats = serializers.FloatField(
        allow_null=True, help_text="Half of the moved went no further; rounded up to a quarter."
    )
    ninetieth_beats = serializers.FloatField(
        allow_null=True, help_text="Nine of ten moved went no further; rounded up to a quarter."
    )


class DraftBandOut(serializers.Serializer[Band]):
    """Drafts of a confidence from `low` to below `high`; with `high` in the last band."""

    low = serializers.FloatField()
    high = serializers.FloatField()
    tally = DraftTallyOut()


class DraftSlotOut(serializers.Serializer[SlotFigures]):
    """One slot function under one engine. A weak one: of at least 20 drafts fewer than half were kept, with the whole
    interval."""

    engine = serializers.CharField()
    function = serializers.CharField()
    which = serializers.CharField()
    weak = serializers.BooleanField(source="tally.weak")
    tally = DraftTallyOut()
    bands = several(DraftBandOut)


class DraftFiguresOut(serializers.Serializer[object]):
    """Figures on drafts; `calibration` has all slots together, where the mean confidence should be the share kept."""

    engines = serializers.ListField(child=serializers.CharField(), help_text="Those with figures, the newest first.")
    slots = several(DraftSlotOut)
    calibration = several(DraftBandOut)


class DraftFigures(CrewEndpoint):
    """How drafts fare in the crew."""

    @extend_schema(
        operation_id="get_draft_figures", parameters=[DraftFiguresQuery], responses=DraftFiguresOut, tags=["drafts"]
    )
    def get(self, request: Request, crew: str) -> Response:
        """What became of the drafted markers of approved sheets, by engine, slot and band of confidence."""
        engine = self.read_query(DraftFiguresQuery, request).get("engine", "")
        slots = draft_figures(self.member, engine)
        engines = engines_of(self.member) if engine else newest_first(one.engine for one in slots)
        given = {"engines": engines, "slots": slots, "calibration": calibration(slots)}
        return Response(DraftFiguresOut(given).data)
