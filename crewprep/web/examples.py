"""The convention as a page of examples: each slot's rule, its usual slips, and where the crew's own tracks have it."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_GET

from crewprep.conventions.models import Slot
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead, may_review_at_all
from crewprep.onboarding.examples import BEFORE_BARS, Example, examples_of
from crewprep.onboarding.sights import note_sight
from crewprep.onboarding.start import untaken
from crewprep.web.doors import crew_page
from crewprep.web.track_parts import gain_for


@dataclass(frozen=True, slots=True)
class ExampleLine:
    """One example with what the player needs."""

    example: Example
    clip_url: str
    gain_db: float


@dataclass(frozen=True, slots=True)
class SlotLine:
    """A slot with its slips and its examples."""

    slot: Slot
    slips: list[str]
    examples: list[ExampleLine]


@crew_page
@require_GET
def examples_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Every slot of the current version. A newcomer has seen the markers of these tracks from now on."""
    version = current_version(member)
    found = examples_of(member, version) if version else None
    if found:
        note_sight(member, found.tracks)
    context = {
        "member": member,
        "current": "convention",
        "version": version,
        "lines": [
            SlotLine(one.slot, one.slips, [_line(member, example) for example in one.examples]) for one in found.slots
        ]
        if found
        else [],
        "tracks": len(found.tracks) if found else 0,
        "left": found.left if found else 0,
        "before_bars": BEFORE_BARS,
        "may_lead": may_lead(member),
        "may_review": may_review_at_all(member),
        "untaken": untaken(member),
    }
    return render(request, "conventions/examples.html", context)


def _line(member: Membership, example: Example) -> ExampleLine:
    where = [member.crew.slug, example.track.pk, example.from_us, example.until_us]
    return ExampleLine(example, reverse("track-clip", args=where), gain_for(example.loudness_lufs, example.copy))


urlpatterns = [path("examples/", examples_page, name="convention-examples")]
