"""The list of a crate's tracks as it is drawn: each row from plain values, see ``drawn``."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.utils.safestring import SafeString

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.preparation.models import Claim
from crewprep.web.crate_rows import CrateRow, CrateState
from crewprep.web.drawn import drawn
from crewprep.web.words import hour

TEMPLATE = "crates/_row.html"


@dataclass(frozen=True, slots=True)
class Measured:
    """What the analysis says of a track, with its picture: height, and the boxes of its bars as SVG paths."""

    duration_us: int
    tempo_bpm: float | None
    steady: bool
    key_name: str
    loudness_lufs: float | None
    height: int
    full: str
    hollow: str


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A row for one member. ``retry`` is the job that they may have tried again."""

    crew: str
    crate: UUID
    track: UUID
    position: int
    title: str
    artist: str
    measured: Measured | None
    warnings: tuple[str, ...]
    tone: str
    words: str
    detail: str
    given_to: str
    held: str
    proposal: UUID | None
    has_sheet: bool
    retry: UUID | None


def drawn_rows(member: Membership, crate: Crate, state: CrateState) -> list[SafeString]:
    """The rows of a page of a crate, as this member sees them."""
    may_retry = bool(may_fill_crates(member))
    return [drawn(TEMPLATE, shown_row(member, crate, row, may_retry=may_retry)) for row in state.rows]


def shown_row(member: Membership, crate: Crate, row: CrateRow, *, may_retry: bool) -> ShownRow:
    """What a member sees of a row."""
    return ShownRow(
        crew=member.crew.slug,
        crate=crate.pk,
        track=row.track.pk,
        position=row.position,
        title=row.track.title,
        artist=row.track.artist,
        measured=_measured(row),
        warnings=row.warnings,
        tone=row.state.tone,
        words=row.words,
        detail=row.detail,
        given_to=row.given_to,
        held=held_words(member, row.claim),
        proposal=row.proposal.pk if row.proposal else None,
        has_sheet=row.sheet is not None,
        retry=row.retry.pk if row.retry and may_retry else None,
    )


def held_words(member: Membership, claim: Claim | None) -> str:
    """Who holds a track until when, by the clocks of the service: ``You hold it until 21:30``; empty for nobody."""
    if claim is None:
        return ""
    who = "You hold it" if claim.holder_id == member.user_id else f"{claim.holder} holds it"
    return f"{who} until {hour(claim.until)}"


def _measured(row: CrateRow) -> Measured | None:
    analysis = row.analysis
    if analysis is None:
        return None
    drawing = analysis.thumbnail or {}
    return Measured(
        duration_us=analysis.duration_us,
        tempo_bpm=analysis.tempo_bpm,
        steady=analysis.steady,
        key_name=analysis.key_name,
        loudness_lufs=analysis.loudness_lufs,
        height=drawing.get("height", 0),
        full=drawing.get("full", ""),
        hollow=drawing.get("hollow", ""),
    )
