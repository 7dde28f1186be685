"""Why a file cannot be analysed, or what to know about it (standard library only).

A code is stable and goes into the database; the sentence beside it says what is wrong and what to do next. The
domain and the command line read the same table.
"""

from __future__ import annotations

MESSAGES: dict[str, str] = {
    # Refusals: the same file will never pass, so they are not tried again.
    "audio:not-audio": (
        "This is not a sound file that we read. Use WAV, FLAC, AIFF, MP3, Ogg Vorbis, Opus or M4A, "
        "with the ending that belongs to it."
    ),
    "audio:unreadable": "The file cannot be decoded. Export it again from its source, or use another copy.",
    "audio:empty": "The file holds no sound. Check that it was copied completely, then send it again.",
    "audio:too-short": "The track is shorter than a second. Send the whole track.",
    "audio:too-long": "The track is longer than two hours. Send a shorter piece of it.",
    "audio:too-large": "The file is larger than 200 MB. Send it as FLAC, which keeps the sound and takes less room.",
    "audio:channels": "The file has more than eight channels. Export it in stereo.",
    "audio:sample-rate": "The sample rate is outside 8 to 192 kHz. Export the track at 44.1 or 48 kHz.",
    "audio:non-finite": "The file holds values that are not numbers. Export it again from its source.",
    "audio:tags-too-large": (
        "The tags and pictures in the file take more than 16 MB. Remove the pictures and send it again."
    ),
    # Refusals of a better copy for a track: its markers would not stand where they belong.
    "copy:not-the-same": (
        "The sound does not match the track: it is another piece or another mix. Upload it as a track of its own."
    ),
    "copy:other-speed": (
        "This copy runs at another speed than the track, so markers would drift. Upload it as a track of its own."
    ),
    "copy:other-edit": (
        "This is another edit of the track: parts are missing, added or moved. Upload it as a track of its own."
    ),
    "copy:unclear": (
        "The sound does not tell where this copy lies on the track's timeline. "
        "Use a copy from the same release, or upload it as a track of its own."
    ),
    # Not the file's fault for certain: tried again, then given up with this sentence.
    "audio:decoder-stopped": (
        "Reading the file took too long or stopped part way. Try again; "
        "if it stops again, export the track as FLAC or WAV."
    ),
    # Warnings: the file is accepted.
    "audio:truncated": (
        "The file ends before its own header says. Check that the end of the track is there, or send a complete copy."
    ),
    "audio:damaged": (
        "Parts of the file could not be decoded, so markers after the damage may be early. "
        "Send an undamaged copy if you have one."
    ),
}
"""Sentence for each code: what is wrong, then what to do."""

WARNINGS = ("audio:truncated", "audio:damaged")
"""The codes that accompany an accepted file."""


class AudioError(Exception):
    """The file is refused; trying again gives the same answer.

    ``code`` is one of ``MESSAGES``; ``detail`` is for logs, never for a page, as it may quote the decoder.
    """

    def __init__(self, code: str, detail: str = "") -> None:
        self.code = code
        self.detail = detail
        self.message = MESSAGES[code]
        super().__init__(f"{code}: {detail}" if detail else code)
