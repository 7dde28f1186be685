"""An upload's way into a crate: one transaction for the track, its job and its place."""

from __future__ import annotations

from crewprep.crates.models import Crate
from crewprep.crates.services import add_track
from crewprep.crews.models import Membership
from crewprep.tracks.models import Track
from crewprep.tracks.services import take_in
from crewprep.tracks.upload import QuarantinedFile


def upload_to_crate(*, member: Membership, crate: Crate, upload: QuarantinedFile) -> Track:
    """Take a file in and put its track at the end of the crate; raises as ``take_in`` does."""
    return take_in(member=member, upload=upload, place=lambda track: add_track(crate=crate, track=track))
