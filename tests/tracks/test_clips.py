"""Pieces cut from a listening copy: the very samples, by a reader of WAV that is not ours (the standard library's)."""

from __future__ import annotations

import io
import wave
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.models import Crate
from crewprep.tracks.clips import LONGEST_US, OutsideError, cut, frame_of
from crewprep.tracks.selectors import reference_copy
from tests import factories

RATE = 44_100
SOUND = np.random.default_rng(3).integers(-30_000, 30_000, (3 * RATE, 2), dtype=np.int16)


@pytest.fixture
def flac() -> io.BytesIO:
    file = io.BytesIO()
    soundfile.write(file, SOUND, RATE, format="FLAC", subtype="PCM_16")
    file.seek(0)
    return file


def frames_of(clip: bytes) -> np.ndarray:
    with wave.open(io.BytesIO(clip)) as read:
        assert (read.getframerate(), read.getnchannels(), read.getsampwidth()) == (RATE, 2, 2)
        return np.frombuffer(read.readframes(read.getnframes()), dtype="<i2").reshape(-1, 2)


@pytest.mark.parametrize(("start_us", "end_us"), [(0, 1), (0, 1_000_000), (468_750, 937_500), (11, 2_999_990)])
def test_a_clip_holds_exactly_its_frames(flac: io.BytesIO, start_us: int, end_us: int):
    if frame_of(start_us, RATE) == frame_of(end_us, RATE):
        with pytest.raises(OutsideError):
            cut(flac, start_us, end_us)
        return
    expected = SOUND[frame_of(start_us, RATE) : frame_of(end_us, RATE)]
    assert np.array_equal(frames_of(cut(flac, start_us, end_us)), expected)


def test_neighbouring_clips_join_without_a_gap(flac: io.BytesIO):
    cuts = [0, 333_333, 700_001, 1_234_567, 3_000_000]
    parts = []
    for start_us, end_us in pairwise(cuts):
        flac.seek(0)
        parts.append(frames_of(cut(flac, start_us, end_us)))
    assert np.array_equal(np.concatenate(parts), SOUND)


def test_a_clip_ends_where_the_sound_does(flac: io.BytesIO):
    assert len(frames_of(cut(flac, 2_500_000, 9_000_000))) == RATE // 2


@pytest.mark.parametrize(("start_us", "end_us"), [(1, 1), (2, 1), (0, LONGEST_US + 1), (3_000_000, 3_100_000)])
def test_what_is_empty_too_long_or_outside_is_refused(flac: io.BytesIO, start_us: int, end_us: int):
    with pytest.raises(OutsideError):
        cut(flac, start_us, end_us)


@pytest.mark.django_db
def test_clips_are_for_members_and_never_kept(lead: Membership, crate: Crate, flac: io.BytesIO):
    track = factories.analysed_track(lead, crate)
    address = reverse("track-clip", args=[lead.crew.slug, track.pk, 0, 500_000])
    member, stranger = Client(), Client()
    member.force_login(lead.user)
    stranger.force_login(factories.crew_with().user)
    assert member.get(address).status_code == 404
    copy = reference_copy(track)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(flac.getvalue()))
    copy.save()
    answer = member.get(address)
    assert answer["Content-Type"] == "audio/wav"
    assert answer["Cache-Control"] == "private, no-store"
    assert len(frames_of(answer.content)) == RATE // 2
    assert stranger.get(address).status_code == 404
    assert Client().get(address).status_code == 302
    assert member.post(address).status_code == 405
    outside = member.get(reverse("track-clip", args=[lead.crew.slug, track.pk, 9_000_000, 9_500_000]))
    assert outside.status_code == 404
