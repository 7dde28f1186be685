"""A better copy of a track: offered, compared by a worker, put in place of the reference copy, and back.

Time zero stays where the first copy set it. A copy that is put in place was laid on that timeline by the worker, so no
sheet, draft or correction changes.
"""

from __future__ import annotations

from functools import partial
from uuid import UUID

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import F

from analysis_worker.core.results import Decode
from analysis_worker.core.text import clean_file_name
from crewprep.activity.services import record
from crewprep.common.errors import Conflict, NotFound
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.jobs.models import LIVE_STATES, Job, JobKind
from crewprep.jobs.services import enqueue
from crewprep.tracks.known import claim_audio, decode_digest, known_track
from crewprep.tracks.models import AudioKind, Copy, Track, TrackState
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.services import check_upload, store_original, write_decode
from crewprep.tracks.upload import QuarantinedFile


def copy_for(track: Track, copy_id: UUID) -> Copy:
    """A copy of a track that was reached through its door; raises ``NotFound``."""
    copy = Copy.objects.filter(track=track, pk=copy_id).first()
    if copy is None:
        raise NotFound
    return copy


def comparison_of(track: Track) -> Job | None:
    """The newest comparison of a copy with the track, or None."""
    return Job.objects.filter(track=track, kind=JobKind.COMPARE).order_by("-created_at").first()


def offer_copy(*, member: Membership, track: Track, upload: QuarantinedFile) -> Job:
    """Have a better copy compared with the track; a worker puts it in place where it has the same timeline.

    Raises ``Refused``, ``Invalid`` or ``NoRoom`` as an upload does; ``Conflict`` where the crew has the file already,
    the track is not ready, or another copy is being compared.
    """
    may_fill_crates(member).require()
    if track.state != TrackState.READY or not reference_copy(track).proxy_key:
        raise Conflict("analysis:none")
    audio_format = check_upload(upload)
    known = known_track(member.crew, AudioKind.FILE, upload.sha256)
    if known is not None:
        raise Conflict("copy:known" if known.pk == track.pk else "copy:other-track", title=str(known))
    if Job.objects.filter(track=track, kind=JobKind.COMPARE, state__in=LIVE_STATES).exists():
        raise Conflict("copy:under-way")
    name = clean_file_name(upload.name or "")
    key = store_original(member, upload)
    try:
        with transaction.atomic():
            copy = Copy.objects.create(
                crew=member.crew,
                track=track,
                is_reference=False,
                original_name=name,
                format=audio_format,
                size_bytes=upload.size or 0,
                sha256=upload.sha256,
                audio_key=key,
            )
            job = enqueue(
                track=track,
                kind=JobKind.COMPARE,
                input_sha256=upload.sha256,
                params={"copy": str(copy.pk)},
                asked_by=member.user,
            )
            record(actor=member.user, verb="copy offered", subject=track, name=name)
    except BaseException:
        default_storage.delete(key)
        raise
    return job


def put_in_place(
    *,
    job: Job,
    copy: Copy,
    decode: Decode,
    offset_us: int,
    timeline_frames: int,
    gain_db: float,
    proxy_key: str,
    peaks_key: str,
    warnings: tuple[str, ...],
) -> None:
    """Make a compared copy the reference copy; called inside the transaction that finishes its job."""
    track = job.track
    write_decode(copy, decode)
    copy.offset_us, copy.timeline_frames = offset_us, timeline_frames
    copy.gain_db = round(reference_copy(track).gain_db + gain_db, 2)
    copy.proxy_key, copy.peaks_key = proxy_key, peaks_key
    copy.save()
    _refer_to(track, copy)
    claim_audio(track, AudioKind.FILE, copy.sha256)
    claim_audio(track, AudioKind.DECODE, decode_digest(decode))
    Track.objects.filter(pk=track.pk).update(warnings=list(warnings))
    record(
        actor=job.asked_by, verb="copy replaced", subject=track, title=track.title, name=copy.original_name,
        offset_us=offset_us,
    )  # fmt: skip


def drop_copy(*, job: Job, code: str) -> None:
    """Remove a copy that is none of the track, with its file; part of a worker's finish."""
    copy = Copy.objects.filter(pk=job.params["copy"], track=job.track, is_reference=False, proxy_key="").first()
    if copy is not None:
        transaction.on_commit(partial(default_storage.delete, copy.audio_key), robust=True)
        copy.delete()
    record(actor=None, verb="copy refused", subject=job.track, title=job.track.title, code=code)


@transaction.atomic
def use_copy(*, member: Membership, track: Track, copy: Copy) -> None:
    """Go back to a copy that lies on the track's timeline already. Raises ``Refused``, or ``Conflict`` for another."""
    may_fill_crates(member).require()
    if not copy.proxy_key:
        raise Conflict("copy:not-compared")
    if not _refer_to(track, copy):
        return
    record(
        actor=member.user, verb="copy replaced", subject=track, title=track.title, name=copy.original_name,
        offset_us=copy.offset_us,
    )  # fmt: skip


def level_with(copy: Copy) -> None:
    """Note that the facts are this copy's from now on, so levels are told beside its own; inside a transaction."""
    if copy.gain_db:
        Copy.objects.filter(track=copy.track_id).update(gain_db=F("gain_db") - copy.gain_db)
        copy.gain_db = 0.0


def _refer_to(track: Track, copy: Copy) -> bool:
    """Two statements under the constraint of one reference copy a track; False where it is that already."""
    if not Copy.objects.filter(track=track, is_reference=True).exclude(pk=copy.pk).update(is_reference=False):
        return False
    Copy.objects.filter(pk=copy.pk).update(is_reference=True)
    copy.is_reference = True
    return True
