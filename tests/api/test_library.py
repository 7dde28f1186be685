"""Library care by the API: tags, and the same audio brought in twice."""

from __future__ import annotations

from collections.abc import Callable

from django.core.files.uploadedfile import SimpleUploadedFile

from crewprep.crews.models import Membership
from crewprep.tracks.models import Copy, Track, TrackState
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


def test_copies(crewed: Crewed, as_member: As) -> None:
    track = factories.analysed_track(crewed.lead, crewed.crate)
    Copy.objects.filter(track=track).update(proxy_key="x")
    caller, path = as_member(crewed.author), f"{crewed.base}tracks/{track.pk}/copies/"
    offered = caller.upload(path, audio=SimpleUploadedFile("better.wav", factories.wav_bytes()))
    assert (offered.status_code, offered.json()["kind"], offered.json()["state"]) == (202, "compare", "queued")
    second = caller.upload(path, audio=SimpleUploadedFile("best.wav", factories.wav_bytes()))
    assert (second.status_code, second.json()["code"]) == (409, "copy:under-way")
    copies = caller.get(path).json()
    assert [copy["is_reference"] for copy in copies] == [True, False]
    use = f"{path}{copies[1]['id']}/use/"
    assert caller.post(use).json()["code"] == "copy:not-compared"
    Copy.objects.filter(pk=copies[1]["id"]).update(proxy_key="y", offset_us=-12_500)
    used = caller.post(use)
    assert (used.status_code, used.json()["is_reference"], used.json()["offset_us"]) == (200, True, -12_500)
    assert as_member(crewed.newcomer).post(use).status_code == 403


def test_a_list(crewed: Crewed, as_member: As) -> None:
    track = factories.analysed_track(crewed.lead, crewed.crate)
    caller, path = as_member(crewed.author), f"{crewed.base}lists/"
    text = f"title,slot 1,x\n{track.title},1.5,60\nNo Such,1,1\n".encode()
    brought = caller.upload(path, list=SimpleUploadedFile("old.csv", text))
    assert brought.status_code == 201
    one = f"{path}{brought.json()['id']}/"
    assert brought.json()["mapping"]["columns"] == ["title", "start:1", ""]
    mapping = {**brought.json()["mapping"], "columns": ["title", "start:1", "start:8"]}
    mapped = caller.put(one, mapping)
    assert mapped.status_code == 200
    plan = mapped.json()["plan"]
    assert [(line["line"], line["track"], bool(line["problem"])) for line in plan["lines"]] == [
        (2, str(track.pk), False), (3, None, True),
    ]  # fmt: skip
    assert [marker["slot"] for marker in plan["lines"][0]["markers"]] == [1, 8]
    assert as_member(crewed.reviewer).get(one).json()["plan"] is not None
    assert as_member(crewed.reviewer).put(one, mapping).json()["code"] == "list:not-yours"
    assert caller.put(one, {**mapping, "columns": ["artist", "", ""]}).json()["code"] == "list:no-name"

    order = {"digest": plan["digest"]}
    assert caller.post(f"{one}apply/", {"digest": "0" * 64}).json()["code"] == "list:changed"
    assert caller.post(f"{one}apply/", order).json()["code"] == "list:wrong-lines"
    applied = caller.post(f"{one}apply/", {**order, "leave_out": True})
    assert applied.json() == {"lines": 2, "wrong": 1, "tags": 0, "tracks": 1, "markers": 2}
    assert (caller.get(one).json()["state"], caller.get(one).json()["plan"]) == ("applied", None)
    assert [row["state"] for row in caller.get(path).json()] == ["applied"]

    other = caller.upload(path, list=SimpleUploadedFile("old.csv", text)).json()
    assert caller.call("DELETE", f"{path}{other['id']}/").status_code == 204
    assert caller.call("DELETE", f"{path}{other['id']}/").json()["code"] == "list:settled"
    assert caller.upload(path).json()["code"] == "list:file-missing"
