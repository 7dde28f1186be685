"""Numbers and ids as they come in forms and addresses, where anybody may have typed anything."""

from __future__ import annotations

from uuid import UUID

from crewprep.common.errors import NotFound

MOST_DIGITS = 9
"""What a column for whole numbers holds for certain; longer ones are no numbers of ours."""


def number_of(text: str, otherwise: int = 0) -> int:
    """A whole number of at most ``MOST_DIGITS`` plain digits; ``otherwise`` for everything else."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= MOST_DIGITS else otherwise


def uuid_of(text: str) -> UUID:
    """An id; raises ``NotFound`` for what is none, as for an id that nothing has."""
    try:
        return UUID(text)
    except ValueError as error:
        raise NotFound from error
