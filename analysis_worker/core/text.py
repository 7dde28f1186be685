"""Cleaning of text that came with a file: tags and file names (standard library only)."""

from __future__ import annotations

import unicodedata

MAX_TEXT = 200
_MAX_SUFFIX = 10
_JOINERS = "\u200c\u200d"  # letters of Persian and of Indian scripts are written with these


def clean_text(text: str, *, max_length: int = MAX_TEXT) -> str:
    """One line of plain text: NFC, no control, bidirectional or other invisible characters, at most ``max_length``.

    Runs of white space become one space. What looks like markup or a formula stays: escaping belongs to the output.
    """
    text = text[: 8 * max_length]  # normalising takes quadratic time on long runs of combining marks
    kept = "".join(" " if char.isspace() else char for char in text if char.isspace() or _visible(char))
    normal = " ".join(unicodedata.normalize("NFC", kept).split())
    return _cut(normal, max_length).strip()


def clean_file_name(name: str, *, max_length: int = MAX_TEXT) -> str:
    """The last part of a path that a browser or a tag names, cleaned; ``"track"`` where nothing is left.

    The ending stays when a long name is cut. The result is for people to read: nothing is ever stored under it.
    """
    last = clean_text(name.replace("\\", "/").rsplit("/", 1)[-1], max_length=4 * max_length).lstrip(". ")
    if len(last) > max_length:
        stem, dot, ending = last.rpartition(".")
        if dot and len(ending) <= _MAX_SUFFIX:
            last = _cut(stem, max_length - len(ending) - 1).rstrip() + dot + ending
        else:
            last = _cut(last, max_length)
    return last.strip() or "track"


def _visible(char: str) -> bool:
    return char in _JOINERS or unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co", "Cn")


def _cut(text: str, max_length: int) -> str:
    """At most ``max_length`` characters, never between a letter and the marks that belong to it."""
    if len(text) <= max_length:
        return text
    end = max_length
    while end > 0 and unicodedata.combining(text[end]):
        end -= 1
    return text[: end or max_length]
