"""An upload's way into a crate: one transaction for the track, its job and its place."""

from __future__ import annotations

from crewprep.crates.models import Crate
from crewprep.crates.services import add_track
from crewprep.crews.models import Membership
from crewprep.tracks.models import Track
from crewprep.tracks.services import TakenIn, take_in
from crewprep.tracks.upload import QuarantinedFile


def take_into_crate(*, member: Membership, crate: Crate, upload: QuarantinedFile) -> TakenIn:
    """Take a file in and put its track at the end of the crate; raises as ``take_in`` does.

    A file that the crew has already is left where it is: see ``crewprep.sheets.services.bring_in``.
    """
    return take_in(member=member, upload=upload, place=lambda track: add_track(crate=crate, track=track))


def upload_to_crate(*, member: Membership, crate: Crate, upload: QuarantinedFile) -> Track:
    """The track of ``take_into_crate``."""
    return take_into_crate(member=member, crate=crate, upload=upload).track
