"""Signing a newcomer off: the bar that a crew sets, how a newcomer stands against it, and a lead's word.

The bar is about the latest drills, so that what was missed before it was learned is not held against anybody, and
about the lower end of the share's interval, so that a few lucky drills do not pass for certainty. The figures advise:
a lead may sign off below the bar, with a note that says why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Crew, Membership, Role
from crewprep.crews.rules import may_lead
from crewprep.crews.services import change_role, lock_members
from crewprep.onboarding.figures import Pooled, Share, pooled
from crewprep.onboarding.models import SignOff, SignOffBar, SignOffEnd
from crewprep.onboarding.progress import Progress, handed_in, newcomers_of, progress_of
from crewprep.onboarding.rules import may_sign_off

MOST_DRILLS = 50
MOST_NOTE = 300


@dataclass(frozen=True, slots=True)
class Bar:
    """So many drills handed in, and of the slots in the latest so many at least this share (0 to 1) within a beat, at
    the lower end of its interval."""

    least_drills: int
    least_share: float


BAR = Bar(least_drills=5, least_share=0.6)
"""What is asked where a crew has set nothing. Ours, from no source: of seven slots in each of five drills six must be
within a beat, which whoever gets 70 % right comes to in one of forty tries, and whoever gets 90 % right in four of five
(simulated, slots independent)."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """How a newcomer stands against the bar. ``reasons`` say what is missing, one sentence each; none where nothing
    is. ``share`` is what the bar looks at: within a beat, in the latest drills."""

    drills: int
    share: Pooled
    bar: Bar
    reasons: tuple[str, ...]

    @property
    def ready(self) -> bool:
        """Whether nothing is missing."""
        return not self.reasons


@dataclass(frozen=True, slots=True)
class NewcomerLine:
    """A newcomer and how they stand."""

    member: Membership
    readiness: Readiness


def bar_of(crew: Crew) -> Bar:
    """The crew's bar, ``BAR`` where it has set none."""
    row = SignOffBar.objects.filter(crew=crew).first()
    return Bar(row.least_drills, row.least_share) if row else BAR


def set_bar(*, member: Membership, least_drills: int, least_share: float) -> Bar:
    """Say what newcomers must show from now on (leads); ``least_share`` is 0 to 1.

    Raises ``Refused``, and ``Invalid`` for a bar that nobody could reach: even where every slot of the current version
    is right in so many drills, the lower end of the interval is below 100 %.
    """
    may_lead(member).require()
    if not 1 <= least_drills <= MOST_DRILLS:
        raise Invalid("bar:drills", most=MOST_DRILLS)
    if not (math.isfinite(least_share) and 0 <= least_share <= 1):
        raise Invalid("bar:share")
    most = highest_share(member, least_drills)
    if least_share > most:
        raise Invalid("bar:out-of-reach", drills=least_drills, most=math.floor(most * 100))
    bar = Bar(least_drills, least_share)
    with transaction.atomic():
        if bar_of(member.crew) != bar:
            row, _ = SignOffBar.objects.update_or_create(crew=member.crew, defaults=asdict(bar))
            record(actor=member.user, verb="bar set", subject=row, drills=least_drills, share=least_share)
    return bar


def highest_share(member: Membership, drills: int) -> float:
    """The lower end (0 to 1) where all slots of the version are right in so many drills; 1 where there is none."""
    version = current_version(member)
    slots = len(version.slots.all()) if version else 0
    return pooled([Share(slots, slots)] * drills).low if slots else 1.0


def ready_for_sign_off(*, drills: int, share: Pooled, bar: Bar) -> Readiness:
    """How somebody with so many drills stands, of whose latest ``share`` is that within a beat (pure)."""
    reasons = []
    if drills < bar.least_drills:
        reasons.append(f"{drills} of {bar.least_drills} drills are handed in.")
    low = share.interval.low
    if low < bar.least_share:
        seen = (
            f"{share.successes} of {share.trials} slots are within a beat" if share.trials else "No slot is marked yet"
        )
        reasons.append(
            f"{seen}, which could be as little as {math.floor(low * 100)} %; the bar is {bar.least_share * 100:g} %."
        )
    return Readiness(drills, share, bar, tuple(reasons))


def readiness_of(progress: Progress, bar: Bar) -> Readiness:
    """How a member stands by all that their drills show."""
    share = progress.latest(bar.least_drills)["beat"]
    return ready_for_sign_off(drills=len(progress.drills), share=share, bar=bar)


def newcomer_lines(member: Membership) -> list[NewcomerLine]:
    """The crew's newcomers and how each stands, for leads; nobody for others, who may not look."""
    if not may_lead(member):
        return []
    bar = bar_of(member.crew)
    return [NewcomerLine(one, _standing(shares, bar)) for one, shares in newcomers_of(member)]


def words_on(other: Membership) -> QuerySet[SignOff]:
    """What leads have said on the member in this crew, newest first."""
    return SignOff.objects.filter(crew=other.crew, person=other.user_id).select_related("by").order_by("-created_at")


def sign_off(*, member: Membership, other: Membership, note: str, seen_drills: int) -> SignOff:
    """Make a newcomer a resident, with the figures that were seen (leads). ``seen_drills`` is how many drills the lead
    saw.

    Raises ``Refused``; ``Conflict`` where they are no newcomer any more or have handed in another drill since;
    ``Invalid`` below the bar without a note that says why.
    """
    may_sign_off(member, other).require()
    with transaction.atomic():
        readiness, figures = _figures(other, seen_drills)
        if not readiness.ready and not note.strip():
            raise Invalid("sign-off:note-missing", reasons=" ".join(readiness.reasons))
        change_role(member=member, other=other, role=Role.RESIDENT, seen_role=Role.NEWCOMER)
        return _say(member, other, SignOffEnd.SIGNED_OFF, note, figures)


def ask_for_more(*, member: Membership, other: Membership, note: str, seen_drills: int) -> SignOff:
    """Ask a newcomer for more practice; the note says of what (leads).

    Raises ``Refused``; ``Invalid`` without a note; ``Conflict`` as ``sign_off`` does, and where they were asked after
    the same drills already.
    """
    may_sign_off(member, other).require()
    if not note.strip():
        raise Invalid("sign-off:more-note-missing")
    with transaction.atomic():
        _, figures = _figures(other, seen_drills)
        last = words_on(other).first()
        if last is not None and last.end == SignOffEnd.MORE and last.figures["drills"] == seen_drills:
            raise Conflict("sign-off:asked-already", by=str(last.by))
        return _say(member, other, SignOffEnd.MORE, note, figures)


def _figures(other: Membership, seen_drills: int) -> tuple[Readiness, dict[str, Any]]:
    """What the lead saw, one lead at a time; raises ``Conflict`` where it has changed since."""
    lock_members(other.crew)
    if not Membership.objects.filter(pk=other.pk, role=Role.NEWCOMER).exists():
        raise Conflict("sign-off:no-newcomer", name=str(other.user))
    if handed_in(other).count() != seen_drills:
        raise Conflict("sign-off:moved-on", name=str(other.user))
    bar = bar_of(other.crew)
    progress = progress_of(other)
    readiness = readiness_of(progress, bar)
    return readiness, {
        "drills": readiness.drills,
        "ready": readiness.ready,
        "bar": asdict(bar),
        "within": {
            limit: [share.successes, share.trials] for limit, share in progress.latest(bar.least_drills).items()
        },
    }


def _say(member: Membership, other: Membership, end: SignOffEnd, note: str, figures: dict[str, Any]) -> SignOff:
    note = note.strip()[:MOST_NOTE]
    said = SignOff.objects.create(
        crew=member.crew, person=other.user, by=member.user, end=end, note=note, figures=figures
    )
    verb = "signed off" if end == SignOffEnd.SIGNED_OFF else "asked for more practice"
    record(actor=member.user, verb=verb, subject=said, person=other.user_id, drills=figures["drills"], note=note)
    return said


def _standing(shares: Sequence[Share], bar: Bar) -> Readiness:
    share = Pooled(tuple(shares[-bar.least_drills :]))
    return ready_for_sign_off(drills=len(shares), share=share, bar=bar)
