"""Approved sheets with sound, to hear on the page of examples."""

from __future__ import annotations

import io

import numpy as np
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from crewprep.crews.models import Membership
from crewprep.models import Crate, Job, JobState, SheetVersion, Track
from crewprep.review.services import approve_proposal
from crewprep.tracks.selectors import reference_copy
from tests import factories

RATE = 8000
SECONDS = 183


def heard_sheet(lead: Membership, crate: Crate, title: str = "") -> SheetVersion:
    """An approved sheet of a track with a quiet tone as its listening copy."""
    proposal = factories.proposal(factories.member_of(lead.crew), into=crate)
    sound = io.BytesIO()
    soundfile.write(sound, 0.05 * np.sin(np.arange(RATE * SECONDS) * 0.1), RATE, format="FLAC", subtype="PCM_16")
    copy = reference_copy(proposal.track)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(sound.getvalue()))
    copy.save()
    if title:
        Track.objects.filter(pk=proposal.track_id).update(title=title)
    Job.objects.filter(track=proposal.track).update(state=JobState.DONE)
    return approve_proposal(member=lead, proposal=proposal, seen_revision=1)
