"""Bringing audio in, and what a worker says of it."""

from __future__ import annotations

import errno
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import BinaryIO

from django.core.files.storage import default_storage
from django.db import transaction

from analysis_worker.core.results import Decode
from analysis_worker.core.sniff import name_fits, sniff, suffix
from analysis_worker.core.text import clean_file_name, clean_text
from crewprep.activity.services import record
from crewprep.common.errors import DomainError, Invalid
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.jobs.models import Job, JobKind
from crewprep.jobs.services import enqueue
from crewprep.tracks.known import claim_audio, known_track
from crewprep.tracks.models import AudioKind, Copy, Track, TrackState
from crewprep.tracks.upload import QuarantinedFile


class NoRoom(DomainError):
    """The disk is full."""

    status = 507


def check_upload(upload: QuarantinedFile) -> str:
    """The format of an upload by its first bytes; raises ``Invalid`` with the reason where it cannot be taken."""
    name = clean_file_name(upload.name or "")
    if upload.too_large:
        raise Invalid("audio:too-large")
    if not upload.size:
        raise Invalid("audio:empty")
    with upload.path.open("rb") as source:
        audio_format = sniff(source)
    if audio_format is None:
        raise Invalid("audio:not-audio")
    if not name_fits(name, audio_format):
        raise Invalid("upload:wrong-extension", name=name, format=audio_format.upper())
    return audio_format


def looks_like_audio(source: BinaryIO) -> bool:
    """Whether an opened file begins as audio does; it is at its start again afterwards."""
    found = sniff(source)
    source.seek(0)
    return found is not None


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of an upload: a new track, or the one that the crew has of this very file already."""

    track: Track
    is_new: bool


class _Known(Exception):
    """Somebody brought the same file in a moment ago."""

    def __init__(self, track: Track) -> None:
        self.track = track


def take_in(*, member: Membership, upload: QuarantinedFile, place: Callable[[Track], object] | None = None) -> TakenIn:
    """Make a track of an upload and ask for its analysis; ``place`` may do more with it in the same transaction.

    A file that the crew has already makes no second track, and ``place`` is not asked; the caller still closes it.
    The file is moved to its final place first, then one transaction writes the rows that name it; where that fails
    the file is removed again. Raises ``Refused``, ``Invalid`` or ``NoRoom``.
    """
    may_fill_crates(member).require()
    audio_format = check_upload(upload)
    known = known_track(member.crew, AudioKind.FILE, upload.sha256)
    if known is not None:
        return TakenIn(known, is_new=False)
    name = clean_file_name(upload.name or "")
    key = store_original(member, upload)
    try:
        with transaction.atomic():
            track = Track.objects.create(
                crew=member.crew, title=title_from(name), added_by=member.user, state=TrackState.CHECKING
            )
            owner = claim_audio(track, AudioKind.FILE, upload.sha256)
            if owner.pk != track.pk:
                raise _Known(owner)
            Copy.objects.create(
                crew=member.crew,
                track=track,
                original_name=name,
                format=audio_format,
                size_bytes=upload.size or 0,
                sha256=upload.sha256,
                audio_key=key,
            )
            enqueue(track=track, kind=JobKind.ANALYSE, input_sha256=upload.sha256, params={}, asked_by=member.user)
            if place is not None:
                place(track)
            record(actor=member.user, verb="track uploaded", subject=track, name=name, bytes=upload.size)
    except _Known as known_now:
        default_storage.delete(key)
        return TakenIn(known_now.track, is_new=False)
    except BaseException:
        default_storage.delete(key)
        raise
    return TakenIn(track, is_new=True)


def store_original(member: Membership, upload: QuarantinedFile) -> str:
    """Move an upload from quarantine to its final place; returns its key. Raises ``NoRoom``."""
    name = clean_file_name(upload.name or "")
    key = f"crews/{member.crew_id}/originals/{uuid.uuid4().hex}{suffix(name)}"
    try:
        key = default_storage.save(key, upload)
    except OSError as error:
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            raise NoRoom("storage:full") from error
        raise
    upload.adopt()
    return key


def title_from(name: str) -> str:
    """A readable title from a file name, until the tags or a member give a better one."""
    return clean_text(PurePosixPath(name).stem.replace("_", " ")) or "Untitled"


def mark_ready(
    *,
    track: Track,
    copy: Copy,
    decode: Decode,
    proxy_key: str,
    peaks_key: str,
    warnings: tuple[str, ...],
    title: str,
    artist: str,
) -> None:
    """Write down the canonical decode and open the track for preparation; part of a worker's finish.

    Tags fill in a title that is still the file's name, and an artist that is still empty; never what a member wrote.
    """
    write_decode(copy, decode)
    copy.proxy_key, copy.peaks_key = proxy_key, peaks_key
    copy.save()
    found = {"artist": track.artist or clean_text(artist)}
    if title and track.title == title_from(copy.original_name):
        found["title"] = clean_text(title) or track.title
    Track.objects.filter(pk=track.pk, tags_edited=False).update(**found)
    track.refresh_from_db(fields=["title", "artist", "tags_edited"])
    track.state, track.refusal_code, track.warnings = TrackState.READY, "", list(warnings)
    track.save(update_fields=["state", "refusal_code", "warnings"])


def write_decode(copy: Copy, decode: Decode) -> None:
    """Set the fields of the canonical decode; the caller saves."""
    copy.decoder, copy.decoder_version = decode.decoder, decode.decoder_version
    copy.leading_trim_frames = decode.leading_trim_frames
    copy.sample_rate, copy.channels, copy.frames = decode.sample_rate, decode.channels, decode.frames
    copy.pcm_sha256 = decode.pcm_sha256


def refuse_track(*, job: Job, code: str) -> None:
    """Note that a track's audio cannot be used, and why; part of a worker's finish."""
    track = job.track
    track.state, track.refusal_code = TrackState.REFUSED, code
    track.save(update_fields=["state", "refusal_code"])
    record(actor=None, verb="track refused", subject=track, code=code)
