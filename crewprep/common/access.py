"""Answers to "may this member do that?": Allowed, or Denied with the code of its reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from crewprep.common.errors import Refused
from crewprep.common.messages import sentence_for


@dataclass(frozen=True, slots=True)
class Allowed:
    """Yes."""

    def __bool__(self) -> bool:
        return True

    def require(self) -> None:
        """Pass."""


@dataclass(frozen=True, slots=True)
class Denied:
    """No, because of ``code``."""

    code: str
    values: dict[str, Any] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return False

    @property
    def sentence(self) -> str:
        """The reason in words."""
        return sentence_for(self.code, **self.values)

    def require(self) -> None:
        """Raise ``Refused`` with the reason."""
        raise Refused(self.code, **self.values)


Answer = Allowed | Denied
