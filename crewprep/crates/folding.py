"""Folding: where a decode shows that a new upload's samples are a track that the crew has, no second track comes of it.

The crates hold the older track in its place, the copy becomes one more of that track, and the new row stays behind as
a pointer, so that its address leads on.
"""

from __future__ import annotations

from analysis_worker.core.results import Decode
from crewprep.activity.services import record
from crewprep.crates.models import CrateTrack
from crewprep.jobs.models import Job
from crewprep.tracks.known import claim_audio, decode_digest
from crewprep.tracks.models import AudioKind, Copy, KnownAudio, Track, TrackState
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.services import write_decode


def fold_or_claim(*, job: Job, decode: Decode) -> Track | None:
    """Fold the job's track into the one that has its samples already, and return that; called inside the transaction
    that finishes the job.

    None where the samples are new, and this track's from now on; and where it has been analysed before, since it may
    have sheets by now.
    """
    track = job.track
    owner = claim_audio(track, AudioKind.DECODE, decode_digest(decode))
    if owner.pk == track.pk or track.state == TrackState.READY:
        return None
    copy = reference_copy(track)
    write_decode(copy, decode)
    twin = Copy.objects.filter(track=owner, pcm_sha256=decode.pcm_sha256).first()
    copy.track, copy.is_reference, copy.offset_us = owner, False, twin.offset_us if twin else 0
    copy.save()
    KnownAudio.objects.filter(track=track).update(track=owner)
    for place in CrateTrack.objects.filter(track=track):
        if CrateTrack.objects.filter(crate=place.crate_id, track=owner).exists():
            place.delete()
        else:
            place.track = owner
            place.save(update_fields=["track"])
    track.same_as, track.state, track.refusal_code = owner, TrackState.REFUSED, "track:same-audio"
    track.save(update_fields=["same_as", "state", "refusal_code"])
    record(actor=None, verb="track folded", subject=track, title=track.title, into=str(owner.pk), owner=owner.title)
    return owner
