"""Title and artist from a file's tags, as cleaned text. Called in the guarded child only: tags are hostile ground."""

from __future__ import annotations

from typing import BinaryIO

from tinytag import TinyTag

from analysis_worker.core.text import clean_text


def read_tags(source: BinaryIO) -> tuple[str, str]:
    """(title, artist), each ``""`` where there is none or the tags cannot be read. Pictures are not loaded."""
    source.seek(0)
    try:
        tag = TinyTag.get(file_obj=source, duration=False, image=False)
    except Exception:  # a broken tag never costs the track: whatever the reader trips over, the sound is fine
        return "", ""
    return clean_text(tag.title or ""), clean_text(tag.artist or "")
