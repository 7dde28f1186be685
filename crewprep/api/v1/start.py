"""The first hour: its steps, and where each slot of the convention can be heard."""

from __future__ import annotations

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from analysis_worker.core.convention import FUNCTIONS, KINDS, WHICH
from crewprep.api.base import CrewEndpoint, several
from crewprep.common.errors import NotFound
from crewprep.conventions.selectors import current_version
from crewprep.onboarding.examples import Example, Examples, SlotExamples, examples_of
from crewprep.onboarding.sights import note_sight
from crewprep.onboarding.start import STATES, STEP_CODES, TOLD, Start, Step, put_start_away, start_of, take_step


class StepOut(serializers.Serializer[Step]):
    """A step of the first hour."""

    code = serializers.ChoiceField(choices=STEP_CODES)
    title = serializers.CharField()
    sentence = serializers.CharField(help_text="What it is, or what it waits for.")
    state = serializers.ChoiceField(choices=STATES)
    waits = serializers.BooleanField(help_text="Somebody else, or an earlier step, comes first.")
    told = serializers.BooleanField(help_text="The member says when it is taken; the others show by themselves.")


class StartOut(serializers.Serializer[Start]):
    """A member's first hour."""

    away = serializers.BooleanField(help_text="Whether the member has put it away from the crew's home.")
    done = serializers.IntegerField(help_text="How many steps are taken.")
    steps = several(StepOut)


class TakenIn(serializers.Serializer[object]):
    """A step that the member has taken."""

    step = serializers.ChoiceField(choices=[code.value for code in TOLD])


class AwayIn(serializers.Serializer[object]):
    """Whether the first hour is put away."""

    away = serializers.BooleanField()


class ExampleOut(serializers.Serializer[Example]):
    """A slot in a track's approved sheet, and the piece to hear."""

    track = serializers.UUIDField(source="track.pk")
    title = serializers.CharField(source="track.title")
    artist = serializers.CharField(source="track.artist")
    sheet_version = serializers.IntegerField(source="sheet")
    tempo_bpm = serializers.FloatField(allow_null=True)
    address = serializers.CharField(help_text="Phrase, bar and beat; a time where the track has no grid.")
    start_us = serializers.IntegerField()
    end_us = serializers.IntegerField(allow_null=True, help_text="Null for a point.")
    from_us = serializers.IntegerField(help_text="Where the piece to hear begins: a point's, a bar before it.")
    until_us = serializers.IntegerField()


class SlotExamplesOut(serializers.Serializer[SlotExamples]):
    """A slot, its usual slips and its examples."""

    number = serializers.IntegerField(source="slot.number")
    name = serializers.CharField(source="slot.name")
    function = serializers.ChoiceField(choices=FUNCTIONS, source="slot.function")
    which = serializers.ChoiceField(choices=WHICH, source="slot.which")
    kind = serializers.ChoiceField(choices=KINDS, source="slot.kind")
    guidance = serializers.CharField(source="slot.guidance")
    slips = serializers.ListField(child=serializers.CharField())
    examples = several(ExampleOut)


class ExamplesOut(serializers.Serializer[Examples]):
    """The slots of the crew's current convention as examples."""

    slots = several(SlotExamplesOut)
    left = serializers.IntegerField(help_text="Approved tracks that are no examples, so that drills can use them.")


class FirstHour(CrewEndpoint):
    """The member's first hour."""

    @extend_schema(operation_id="get_start", responses=StartOut, tags=["start"])
    def get(self, request: Request, crew: str) -> Response:
        """The steps of the member's role, each with how it stands."""
        return Response(StartOut(start_of(self.member)).data)

    @extend_schema(operation_id="take_step", request=TakenIn, responses=StartOut, tags=["start"])
    def post(self, request: Request, crew: str) -> Response:
        """Say that a step is taken which nothing else shows."""
        take_step(member=self.member, code=self.read(TakenIn, request)["step"])
        return Response(StartOut(start_of(self.member)).data)

    @extend_schema(operation_id="put_start_away", request=AwayIn, responses=StartOut, tags=["start"])
    def put(self, request: Request, crew: str) -> Response:
        """Put the steps away from the crew's home, or bring them back."""
        put_start_away(member=self.member, away=self.read(AwayIn, request)["away"])
        return Response(StartOut(start_of(self.member)).data)


class ConventionExamples(CrewEndpoint):
    """The convention to hear."""

    @extend_schema(operation_id="list_examples", responses=ExamplesOut, tags=["start"])
    def get(self, request: Request, crew: str) -> Response:
        """Every slot of the current convention with its usual slips, and where it can be heard in approved sheets.

        A newcomer who has asked gets no drill on these tracks any more.
        """
        version = current_version(self.member)
        if version is None:
            raise NotFound("convention:none")
        found = examples_of(self.member, version)
        note_sight(self.member, found.tracks)
        return Response(ExamplesOut(found).data)
