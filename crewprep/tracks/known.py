"""The same audio is one track: recognised by its file as it arrives, and by its samples once a worker has decoded it.

Never across crews. The first claim of a digest wins, by a constraint; whoever comes second is told whose it is.
"""

from __future__ import annotations

from analysis_worker.core.results import Decode
from crewprep.crews.models import Crew
from crewprep.tracks.models import AudioKind, Copy, KnownAudio, Track


def decode_digest(decode: Decode) -> str:
    """What tells a decode's samples: their hash, and the rate and channels without which they are another sound."""
    return f"{decode.pcm_sha256}/{decode.sample_rate}/{decode.channels}"


def known_track(crew: Crew, kind: AudioKind, digest: str) -> Track | None:
    """The crew's track of this audio, or None."""
    found = KnownAudio.objects.filter(crew=crew, kind=kind, digest=digest).select_related("track").first()
    return None if found is None else found.track


def claim_audio(track: Track, kind: AudioKind, digest: str) -> Track:
    """Make the audio this track's where nobody has it; the track whose it is, this one or the one that came first."""
    known, _ = KnownAudio.objects.select_related("track").get_or_create(
        crew_id=track.crew_id, kind=kind, digest=digest, defaults={"track": track}
    )
    return known.track


def twin_of(track: Track, decode: Decode) -> Track | None:
    """Another track of the crew that has the same samples already, or None."""
    found = known_track(track.crew, AudioKind.DECODE, decode_digest(decode))
    return None if found is None or found.pk == track.pk else found


def same_audio(track: Track) -> list[Track]:
    """Other tracks of the crew whose analysed samples are the same: those that were brought in before the crew's audio
    was compared, or became the same later. Nothing is folded then, as both may have sheets."""
    copy = track.copies.filter(is_reference=True).exclude(pcm_sha256="").first()
    if copy is None:
        return []
    twins = Copy.objects.filter(
        crew_id=track.crew_id, is_reference=True, pcm_sha256=copy.pcm_sha256, sample_rate=copy.sample_rate,
        channels=copy.channels, frames=copy.frames, track__same_as=None,
    ).exclude(track=track)  # fmt: skip
    return [twin.track for twin in twins.select_related("track").order_by("created_at")[:20]]
