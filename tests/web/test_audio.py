"""The listening copy in ranges. The cases follow RFC 9110, section 14 (range requests) and 13.1.5 (If-Range)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.http import HttpResponseBase, StreamingHttpResponse
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.models import Track
from crewprep.tracks.selectors import reference_copy
from crewprep.web.audio import BLOCK_BYTES, FileBlocks, RangeError, parse_range
from tests import factories

pytestmark = pytest.mark.django_db

SOUND = bytes(range(256)) * 1000
PEAKS = b"CPPK" + bytes(200)


@pytest.fixture
def member() -> Membership:
    return factories.crew_with()


@pytest.fixture
def track(member: Membership) -> Track:
    made = factories.analysed_track(member)
    copy = reference_copy(made)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(SOUND))
    copy.peaks_key = default_storage.save("peaks.bin", ContentFile(PEAKS))
    copy.save()
    return made


def browser(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def address(member: Membership, track: Track) -> str:
    return reverse("track-audio", args=[member.crew.slug, track.pk])


_answers: list[HttpResponseBase] = []


@pytest.fixture(autouse=True)
def _answers_end() -> Iterator[None]:
    """Read every answer to its end, which closes it, also those of which only the headers were looked at."""
    yield
    while _answers:
        for _ in getattr(_answers.pop(), "streaming_content", ()):
            pass


def ask(member: Membership, track: Track, **headers: str):
    response = browser(member).get(address(member, track), headers=headers)
    _answers.append(response)
    return response


def body(response) -> bytes:
    return b"".join(response.streaming_content)


def test_the_whole_file_and_that_ranges_are_welcome(member, track):
    response = ask(member, track)
    assert response.status_code == 200
    assert response["Accept-Ranges"] == "bytes"
    assert response["Content-Length"] == str(len(SOUND))
    assert body(response) == SOUND


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ("bytes=0-0", 0, 0),
        ("bytes=0-499", 0, 499),
        ("bytes=500-999", 500, 999),
        ("bytes=255000-", 255_000, 255_999),
        ("bytes=-500", 255_500, 255_999),
        ("bytes=-999999", 0, 255_999),
        ("bytes=255999-999999", 255_999, 255_999),
        ("bytes=65530-65545", 65_530, 65_545),
    ],
)
def test_a_range_is_answered_with_just_those_bytes(member, track, asked, first, last):
    response = ask(member, track, Range=asked)
    assert response.status_code == 206
    assert response["Content-Range"] == f"bytes {first}-{last}/{len(SOUND)}"
    assert response["Content-Length"] == str(last - first + 1)
    assert body(response) == SOUND[first : last + 1]


@pytest.mark.parametrize("asked", ["bytes=256000-", "bytes=999999-1000000", "bytes=-0"])
def test_a_range_outside_the_file_is_answered_with_its_size(member, track, asked):
    response = ask(member, track, Range=asked)
    assert response.status_code == 416
    assert response["Content-Range"] == f"bytes */{len(SOUND)}"
    assert b"does not exist" in response.content


@pytest.mark.parametrize(
    "asked", ["items=0-5", "bytes=5-2", "bytes=a-b", "bytes=-", "bytes=0-1,5-9", "bytes 0-5", "0-5", "bytes=--5"]
)
def test_what_is_no_single_range_of_bytes_is_ignored(member, track, asked):
    """RFC 9110, 14.2: a server may ignore the header; it must for a unit or form it does not understand."""
    response = ask(member, track, Range=asked)
    assert response.status_code == 200
    assert body(response) == SOUND


def test_if_range_gives_the_part_of_the_same_file_and_the_whole_of_another(member, track):
    etag = ask(member, track)["ETag"]
    assert ask(member, track, **{"Range": "bytes=0-9", "If-Range": etag}).status_code == 206
    assert ask(member, track, **{"Range": "bytes=0-9", "If-Range": '"another"'}).status_code == 200
    assert (
        ask(member, track, **{"Range": "bytes=0-9", "If-Range": "Wed, 21 Oct 2015 07:28:00 GMT"}).status_code == 200
    ), "a date is never the file we know, as none is sent"


def test_head_tells_the_size_without_the_sound_and_knows_no_ranges(member, track):
    """RFC 9110, 14.2: Range is defined for GET alone."""
    response = browser(member).head(address(member, track), headers={"Range": "bytes=0-9"})
    assert response.status_code == 200
    assert response["Content-Length"] == str(len(SOUND))
    assert response.content == b""


@pytest.mark.parametrize("headers", [{}, {"Range": "bytes=0-9"}, {"Range": "bytes=999999-"}])
def test_the_answer_is_sealed(member, track, headers):
    response = ask(member, track, **headers)
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Cache-Control"] == "private, no-store"
    assert response["Content-Security-Policy"] == "sandbox; default-src 'none'; base-uri 'none'; frame-ancestors 'none'"
    if response.status_code != 416:
        assert response["Content-Type"] == "audio/flac"


def test_only_members_hear_it_and_each_request_asks_again(member, track):
    client = browser(member)
    assert body(client.get(address(member, track))) == SOUND
    Membership.objects.filter(pk=member.pk).delete()
    assert client.get(address(member, track)).status_code == 404
    assert Client().get(address(member, track)).status_code == 302


def test_another_crews_track_is_not_found_under_ones_own_crew(member, track):
    stranger = factories.crew_with()
    url = reverse("track-audio", args=[stranger.crew.slug, track.pk])
    assert browser(stranger).get(url).status_code == 404


def test_a_track_without_a_listening_copy_says_so(member):
    bare = factories.analysed_track(member)
    response = ask(member, bare, Accept="application/json")
    assert response.status_code == 404
    assert response.json()["code"] == "audio:none"


def test_the_peaks_are_served_in_ranges_too(member, track):
    url = reverse("track-peaks", args=[member.crew.slug, track.pk])
    response = browser(member).get(url, headers={"Range": "bytes=0-3"})
    assert isinstance(response, StreamingHttpResponse)
    assert (response.status_code, b"".join(response)) == (206, b"CPPK")
    assert response["Content-Type"] == "application/octet-stream"
    assert browser(factories.crew_with()).get(url).status_code == 404


def test_a_lost_file_is_not_found(member, track):
    default_storage.delete(reference_copy(track).proxy_key)
    assert ask(member, track).status_code == 404


def test_other_methods_are_refused(member, track):
    assert browser(member).post(address(member, track)).status_code == 405


def test_closing_the_answer_closes_the_file_even_when_nothing_was_read(tmp_path):
    path = tmp_path / "sound"
    path.write_bytes(SOUND)
    file = path.open("rb")
    FileBlocks(file, 0, 10).close()
    assert file.closed


def test_blocks_are_bounded_and_stop_at_a_file_that_became_shorter(tmp_path):
    path = tmp_path / "sound"
    path.write_bytes(SOUND)
    with path.open("rb") as file:
        sizes = [len(block) for block in FileBlocks(file, 10, len(SOUND) * 2)]
    assert sum(sizes) == len(SOUND) - 10
    assert max(sizes) == BLOCK_BYTES


def test_an_empty_file_has_no_ranges():
    with pytest.raises(RangeError):
        parse_range("bytes=0-", 0)
    with pytest.raises(RangeError):
        parse_range("bytes=-5", 0)
