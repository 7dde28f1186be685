"""Letters without case and accents, so that a search finds them on every database alike."""

from __future__ import annotations

import unicodedata

_PLAIN = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h"})
"""Letters that Unicode does not take apart into a plain one and a mark."""


def folded(text: str) -> str:
    """``text`` in lower case without marks, its blanks single: ``Élan  Ørsted`` is ``elan orsted``.

    Compatibility decomposition (Unicode UAX 15, NFKD) without the combining marks, then full case folding (Unicode
    3.13, as ``str.casefold``).
    """
    apart = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(letter for letter in apart if not unicodedata.combining(letter))
    return " ".join(plain.casefold().translate(_PLAIN).split())
