"""The tracks at risk of a night as they are drawn: each from plain values, see ``drawn``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.template.defaultfilters import capfirst
from django.utils.safestring import SafeString

from crewprep.crews.models import Membership
from crewprep.readiness.board import AtRisk
from crewprep.readiness.standing import STATES
from crewprep.web.drawn import drawn
from crewprep.web.words import minutes_words

TEMPLATE = "nights/_risk.html"

_TONES = {"returned": "wait", "nothing": "bad", "analysing": "plain"}


@dataclass(frozen=True, slots=True)
class ShownRisk:
    """A track that stands open and why that is a worry; ``of`` is its crate's name where a night has several."""

    crew: str
    crate: UUID
    track: UUID
    title: str
    of: str
    tone: str
    state: str
    minutes: str
    why: str


def drawn_risks(member: Membership, rows: Iterable[AtRisk], *, crates: int) -> list[SafeString]:
    """The rows of tracks at risk, of a night with so many crates."""
    return [drawn(TEMPLATE, _shown(member, row, several=crates > 1)) for row in rows]


def _shown(member: Membership, row: AtRisk, *, several: bool) -> ShownRisk:
    standing, place = row.standing, row.standing.place
    return ShownRisk(
        crew=member.crew.slug,
        crate=place.crate_id,
        track=place.track_id,
        title=str(place.track),
        of=place.crate.name if several else "",
        tone=_TONES.get(standing.state, "note"),
        state=STATES[standing.state],
        minutes=minutes_words(standing.minutes),
        why=str(capfirst("; ".join(risk.words for risk in row.risks))),
    )
