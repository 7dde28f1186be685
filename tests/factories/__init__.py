"""Small typed makers of rows, through the same services that the product uses wherever there is one."""

from tests.factories.music import (
    analysed_track,
    analysis_result,
    convention,
    crate,
    draft,
    eight_markers,
    proposal,
    track,
    upload_wav,
    wav_bytes,
)  # fmt: skip
from tests.factories.people import crew_with, member_of, user

__all__ = [
    "analysed_track",
    "analysis_result",
    "convention",
    "crate",
    "crew_with",
    "draft",
    "eight_markers",
    "member_of",
    "proposal",
    "track",
    "upload_wav",
    "user",
    "wav_bytes",
]
