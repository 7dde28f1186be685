"""The listening copy of a track and its peaks, whole or in ranges (RFC 9110, section 14), for members alone.

Each request asks again whether the caller is a member. The bytes are passed on in blocks and never kept in memory; what
was uploaded is never served, only the copy that a worker made from the canonical decode, so that the browser's time
zero is the sheet's time zero.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import IO, Any, TypeVar
from uuid import UUID

from django.core.files.storage import default_storage
from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.views.decorators.http import require_safe

from crewprep.common.errors import NotFound
from crewprep.common.messages import sentence_for
from crewprep.crews.models import Membership
from crewprep.tracks.clips import OutsideError, cut
from crewprep.tracks.models import Copy
from crewprep.tracks.selectors import reference_copy, track_for
from crewprep.web.doors import crew_page

BLOCK_BYTES = 64 * 1024
AUDIO_TYPE = "audio/flac"
PEAKS_TYPE = "application/octet-stream"
CLIP_TYPE = "audio/wav"

_Response = TypeVar("_Response", bound=HttpResponseBase)

_ONE_RANGE = re.compile(r"^bytes\s*=\s*(\d*)\s*-\s*(\d*)$")


class RangeError(Exception):
    """The range lies outside the file."""


@crew_page
def track_audio(request: HttpRequest, member: Membership, track_id: UUID) -> HttpResponseBase:
    """The listening copy. Answers GET and HEAD; other methods are refused."""
    copy = reference_copy(track_for(member, track_id))
    return _answer(request, copy, copy.proxy_key, AUDIO_TYPE)


@crew_page
def track_peaks(request: HttpRequest, member: Membership, track_id: UUID) -> HttpResponseBase:
    """What is drawn of the listening copy (``analysis_worker.core.peaks``); methods as for the sound."""
    copy = reference_copy(track_for(member, track_id))
    return _answer(request, copy, copy.peaks_key, PEAKS_TYPE)


@crew_page
@require_safe
def track_clip(request: HttpRequest, member: Membership, track_id: UUID, start_us: int, end_us: int) -> HttpResponse:
    """A piece of the listening copy of at most a minute, cut to the sample."""
    copy = reference_copy(track_for(member, track_id))
    if not copy.proxy_key or not default_storage.exists(copy.proxy_key):
        raise NotFound("audio:none")
    with default_storage.open(copy.proxy_key, "rb") as source:
        try:
            clip = cut(source, start_us, end_us)
        except OutsideError as error:
            raise NotFound("audio:range") from error
    etag = f'"{copy.pk.hex}-{copy.pcm_sha256[:16]}-{start_us}-{end_us}"'
    return _sealed(HttpResponse(clip, content_type=CLIP_TYPE), etag)


@require_safe
def _answer(request: HttpRequest, copy: Copy, key: str, content_type: str) -> HttpResponseBase:
    if not key or not default_storage.exists(key):
        raise NotFound("audio:none")
    size = default_storage.size(key)
    etag = f'"{copy.pk.hex}-{copy.pcm_sha256[:16]}-{size}"'
    first, last, status = 0, size - 1, 200
    asked = request.headers.get("Range", "")
    # A range means something on GET alone, and with If-Range only while the file is still the one the caller knows.
    if asked and request.method == "GET" and request.headers.get("If-Range", etag) == etag:
        try:
            part = parse_range(asked, size)
        except RangeError:
            response: HttpResponseBase = HttpResponse(
                sentence_for("audio:range"), status=416, content_type="text/plain; charset=utf-8"
            )
            response["Content-Range"] = f"bytes */{size}"
            return _sealed(response, etag)
        if part is not None:
            (first, last), status = part, 206
    if request.method == "HEAD":
        response = HttpResponse(content_type=content_type)
    else:
        blocks = FileBlocks(default_storage.open(key, "rb"), first, last - first + 1)
        response = StreamingHttpResponse(blocks, status=status, content_type=content_type)
    if status == 206:
        response["Content-Range"] = f"bytes {first}-{last}/{size}"
    response["Content-Length"] = str(last - first + 1)
    return _sealed(response, etag)


def parse_range(header: str, size: int) -> tuple[int, int] | None:
    """First and last byte of a single range; None where the header should be ignored (RFC 9110, 14.2).

    Malformed headers, other units and several ranges at once are ignored. Raises ``RangeError`` for a range that
    starts after the end or is empty.
    """
    found = _ONE_RANGE.match(header.strip())
    if found is None or found[0].replace(" ", "") == "bytes=-":
        return None
    if not found[1]:
        length = int(found[2])
        if length == 0 or size == 0:
            raise RangeError
        return max(0, size - length), size - 1
    first = int(found[1])
    last = int(found[2]) if found[2] else size - 1
    if found[2] and last < first:
        return None
    if first >= size:
        raise RangeError
    return first, min(last, size - 1)


class FileBlocks:
    """A part of a file in blocks. The server closes it when the answer ends, also where the listener went away."""

    def __init__(self, file: IO[Any], first: int, length: int) -> None:
        self.file = file
        self.left = length
        file.seek(first)

    def __iter__(self) -> Iterator[bytes]:
        while self.left > 0:
            block = self.file.read(min(BLOCK_BYTES, self.left))
            if not block:
                return
            self.left -= len(block)
            yield block

    def close(self) -> None:
        """Give the file back."""
        self.file.close()


def _sealed(response: _Response, etag: str) -> _Response:
    """Headers that keep the bytes sound and nothing else, and out of shared caches."""
    response["ETag"] = etag
    response["Accept-Ranges"] = "bytes"
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "sandbox; default-src 'none'; base-uri 'none'; frame-ancestors 'none'"
    response["Content-Disposition"] = "inline"
    return response
