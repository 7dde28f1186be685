"""Library care by the API: tags, and the same audio brought in twice."""

from __future__ import annotations

from collections.abc import Callable

from django.core.files.uploadedfile import SimpleUploadedFile

from crewprep.crews.models import Membership
from crewprep.tracks.models import Track, TrackState
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller

As = Callable[[Membership], Caller]


def test_tags(crewed: Crewed, as_member: As) -> None:
    track = factories.analysed_track(crewed.lead, crewed.crate)
    path = f"{crewed.base}tracks/{track.pk}/tags/"
    body = {"title": "Warm Rain", "artist": "", "seen_title": track.title, "seen_artist": ""}
    done = as_member(crewed.author).put(path, body)
    assert (done.status_code, done.json()["title"], done.json()["tags_edited"]) == (200, "Warm Rain", True)
    assert as_member(crewed.author).put(path, body).json()["code"] == "track:tags-moved-on"
    newcomer = as_member(crewed.newcomer).put(path, {**body, "seen_title": "Warm Rain"})
    assert (newcomer.status_code, newcomer.json()["code"]) == (403, "track:tags-not-yours")


def test_the_same_audio(crewed: Crewed, as_member: As) -> None:
    content = factories.wav_bytes()
    caller, path = as_member(crewed.lead), f"{crewed.base}crates/{crewed.crate.pk}/tracks/"
    first = caller.upload(path, audio=SimpleUploadedFile("a.wav", content))
    again = caller.upload(path, audio=SimpleUploadedFile("b.wav", content))
    assert (first.status_code, again.status_code) == (202, 200)
    assert again.json()["id"] == first.json()["id"]

    twins = [factories.analysed_track(crewed.lead, crewed.crate) for _ in range(2)]  # the factory's samples are alike
    seen = caller.get(f"{crewed.base}tracks/{twins[0].pk}/").json()
    assert (seen["same_as"], seen["same_audio"]) == (None, [str(twins[1].pk)])
    Track.objects.filter(pk=twins[1].pk).update(
        same_as=twins[0], state=TrackState.REFUSED, refusal_code="track:same-audio"
    )  # fmt: skip
    folded = caller.get(f"{crewed.base}tracks/{twins[1].pk}/").json()
    assert (folded["same_as"], folded["refusal"]["code"]) == (str(twins[0].pk), "track:same-audio")
    assert caller.get(f"{crewed.base}tracks/").json()["count"] == 2
