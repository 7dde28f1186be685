"""A drafted track in a real browser, with sound to listen to."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pytest
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from crewprep.models import Crate, Job, JobState, Track
from crewprep.tracks.selectors import reference_copy
from tests import factories

SECONDS = 183


@dataclass
class Scene:
    """A drafted track with a listening copy, and two members' cookies."""

    url: str
    crate: Crate
    track: Track
    lead: Membership
    resident: Membership


@pytest.fixture
def scene(live_server) -> Scene:
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew, Role.RESIDENT)
    crate = factories.crate(lead)
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    Job.objects.filter(track=track).update(state=JobState.DONE)
    sound = io.BytesIO()
    tone = 0.1 * np.sin(np.arange(8000 * SECONDS) * 0.1)
    soundfile.write(sound, tone, 8000, format="FLAC", subtype="PCM_16")
    copy = reference_copy(track)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(sound.getvalue()))
    copy.save()
    path = reverse("track-page", args=[lead.crew.slug, crate.pk, track.pk])
    return Scene(live_server.url + path, crate, track, lead, resident)
