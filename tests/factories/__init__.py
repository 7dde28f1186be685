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
from tests.factories.practice import approved_sheet, drill

__all__ = [
    "analysed_track",
    "analysis_result",
    "approved_sheet",
    "convention",
    "crate",
    "crew_with",
    "draft",
    "drill",
    "eight_markers",
    "member_of",
    "proposal",
    "track",
    "upload_wav",
    "user",
    "wav_bytes",
]
