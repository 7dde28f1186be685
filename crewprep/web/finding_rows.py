"""The rows of the Tracks page as they are drawn: each from plain values, see ``drawn``."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.utils.safestring import SafeString

from crewprep.crates.models import CrateTrack
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.library.models import Stand, TrackStanding
from crewprep.library.search import standings_in_order
from crewprep.library.selectors import broken_checks
from crewprep.preparation.models import Claim
from crewprep.preparation.selectors import live_claims
from crewprep.web.check_parts import NAMES
from crewprep.web.drawn import drawn
from crewprep.web.words import hour

TEMPLATE = "finding/_row.html"

TONES: dict[str, str] = {
    Stand.WORKING: "wait", Stand.GIVEN_UP: "bad", Stand.REFUSED: "bad", Stand.UNDRAFTED: "note", Stand.DRAFTED: "note",
    Stand.OPEN: "note", Stand.RETURNED: "wait", Stand.APPROVED: "good",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShownTrack:
    """A track of the list for one member. ``crate`` is one to open it in; ``sheet`` the number of its sheet."""

    crew: str
    crate: UUID | None
    track: UUID
    title: str
    artist: str
    broken: tuple[str, ...]
    tone: str
    state: str
    approved: bool
    sheet: int | None
    duration_us: int | None
    tempo_bpm: float | None
    steady: bool
    key_name: str
    loudness_lufs: float | None
    confidence: float | None
    holder: str
    until: str
    chosen: bool


def drawn_rows(member: Membership, ids: Sequence[UUID], ticked: Collection[UUID]) -> list[SafeString]:
    """The rows of tracks, in the order of the ids, as a member sees them."""
    places, claims, broken = newest_places(member, ids), live_claims(ids), broken_checks(member, ids)
    rows = []
    for one in standings_in_order(ids):
        key = one.track_id
        names = tuple(NAMES[code] for code in broken.get(key, ()))
        shown = _shown(member, one, places.get(key), claims.get(key), broken=names, chosen=key in ticked)
        rows.append(drawn(TEMPLATE, shown))
    return rows


def _shown(
    member: Membership,
    standing: TrackStanding,
    place: CrateTrack | None,
    claim: Claim | None,
    *,
    broken: tuple[str, ...],
    chosen: bool,
) -> ShownTrack:
    holder, until = "", ""
    if claim is not None:
        holder = "You" if claim.holder_id == member.user_id else str(claim.holder)
        until = hour(claim.until)
    return ShownTrack(
        crew=member.crew.slug,
        crate=place.crate_id if place else None,
        track=standing.track_id,
        title=standing.track.title,
        artist=standing.track.artist,
        broken=broken,
        tone=TONES[standing.state],
        state=str(standing.get_state_display()),
        approved=standing.state == Stand.APPROVED,
        sheet=standing.sheet_number,
        duration_us=standing.duration_us,
        tempo_bpm=standing.tempo_bpm,
        steady=standing.steady,
        key_name=standing.key_name,
        loudness_lufs=standing.loudness_lufs,
        confidence=standing.confidence,
        holder=holder,
        until=until,
        chosen=chosen,
    )
