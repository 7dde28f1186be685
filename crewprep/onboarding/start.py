"""The first hour, as a short list of steps that can be left and taken up again.

Whatever a table shows decides a step; ``StartStep`` holds the three that nothing shows (a member says so) and that the
list is put away. ``steps_from`` is pure: the same facts give the same list.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal, get_args
from uuid import UUID

from django.db.models import Count, Exists, QuerySet, Subquery, UUIDField
from django.db.models.functions import Coalesce

from crewprep.common.errors import Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Membership, Role
from crewprep.crews.selectors import usable_invitations
from crewprep.onboarding.models import Drill, StartStep
from crewprep.review.models import Proposal, Verdict
from crewprep.sheets.models import CountedSheet, SheetVersion
from crewprep.tracks.models import TrackState

FEW_DRILLS = 5

State = Literal["done", "next", "later"]
STATES: tuple[State, ...] = get_args(State)


class Code(StrEnum):
    """The steps; ``AWAY`` is none of them: it says that a member has put the list away."""

    SLOTS = "slots"
    EXAMPLES = "examples"
    SLIPS = "slips"
    FIRST_DRILL = "first drill"
    DRILLS = "drills"
    SIGN_OFF = "sign-off"
    FIRST_SHEET = "first sheet"
    FIRST_REVIEW = "first review"
    CONVENTION = "convention"
    INVITE = "invite"
    CRATE = "crate"
    UPLOAD = "upload"
    PROPOSE = "propose"
    APPROVED = "approved"
    NIGHT = "night"
    AWAY = "away"


STEP_CODES = [code.value for code in Code if code != Code.AWAY]

TOLD = (Code.SLOTS, Code.EXAMPLES, Code.SLIPS)
"""Steps that a member says they have taken, as no table shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the tables show of a member and their crew.

    ``drills`` counts the member's handed-in ones. ``crate_id`` is the crew's newest crate, ``ready_crate_id`` one with
    a track that can be worked on.
    """

    role: Role
    told: frozenset[str] = frozenset()
    convention: bool = False
    others: bool = False
    reviewers: bool = False
    invited: bool = False
    crate_id: UUID | None = None
    tracks: bool = False
    ready_crate_id: UUID | None = None
    proposed: bool = False
    approved: bool = False
    examples: bool = False
    night: bool = False
    drills: int = 0
    drill_open: bool = False
    own_proposal: bool = False
    own_verdict: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what it is, one sentence about it, and how it stands. ``waits`` says that somebody else, or an earlier
    step, comes first."""

    code: Code
    title: str
    sentence: str
    state: State
    waits: bool = False
    told: bool = False


@dataclass(frozen=True, slots=True)
class Start:
    """A member's first hour."""

    steps: tuple[Step, ...]
    away: bool
    facts: Facts = field(repr=False)

    @property
    def done(self) -> int:
        """How many steps are taken."""
        return sum(step.state == "done" for step in self.steps)

    @property
    def next(self) -> Step | None:
        """The step to take now; None where all are done."""
        return next((step for step in self.steps if step.state == "next"), None)


@dataclass(frozen=True, slots=True)
class _Line:
    """A step before its place in the list is known; ``waits`` is what must happen first, in a sentence, or empty."""

    code: Code
    title: str
    sentence: str
    done: bool
    waits: str = ""


def steps_from(facts: Facts) -> tuple[Step, ...]:
    """The steps of a member's role. The next one is the first that is not done and waits for nothing; where all wait,
    the first of them."""
    lines = _lines_of(facts)
    open_lines = [line for line in lines if not line.done]
    chosen = next((line for line in open_lines if not line.waits), open_lines[0] if open_lines else None)
    return tuple(
        Step(
            line.code,
            line.title,
            line.waits if line.waits and not line.done else line.sentence,
            "done" if line.done else "next" if line is chosen else "later",
            waits=bool(line.waits) and not line.done,
            told=line.code in TOLD,
        )
        for line in lines
    )


def _lines_of(facts: Facts) -> list[_Line]:
    match facts.role:
        case Role.LEAD:
            return _new_crew(facts)
        case Role.RESIDENT:
            return [*_learn(facts), *_first_work(facts)]
        case _:
            return [*_learn(facts), *_practise(facts)]


def _learn(facts: Facts) -> list[_Line]:
    unwritten = "" if facts.convention else "Your leads publish the convention first; then its slots stand there."
    unheard = (
        "" if facts.examples else "Your crew has no approved sheet to hear yet; the first one is the first example."
    )
    # Whoever has put a sheet forward has worked with the slots, whatever they have told.
    worked = facts.role == Role.RESIDENT and facts.own_proposal
    return [
        _Line(
            Code.SLOTS, "Read what each slot is for",
            "The convention numbers the places that every sheet marks, and says how each is found.",
            worked or Code.SLOTS in facts.told, unwritten,
        ),
        _Line(
            Code.EXAMPLES, "Hear each slot in your crew’s own tracks",
            "From a bar before the marker, in tracks whose sheets were approved.",
            worked or Code.EXAMPLES in facts.told, unwritten or unheard,
        ),
        _Line(
            Code.SLIPS, "Know the usual slips",
            "What most people get wrong at each slot in the beginning, and how to tell.",
            worked or Code.SLIPS in facts.told, unwritten,
        ),
    ]  # fmt: skip


def _practise(facts: Facts) -> list[_Line]:
    unheard = "" if facts.examples or facts.drills else "A drill needs approved sheets; your crew has none yet."
    still = FEW_DRILLS - facts.drills
    return [
        _Line(
            Code.FIRST_DRILL, "Do your first drill",
            "Go on with the one that you began." if facts.drill_open and not facts.drills
            else "Mark a track whose sheet is hidden from you; then hear where you were right.",
            facts.drills >= 1, unheard,
        ),
        _Line(
            Code.DRILLS, f"Do {FEW_DRILLS} drills",
            f"{still} more to do: five drills begin to show which slots you know." if facts.drills
            else "Five drills begin to show which slots you know.",
            facts.drills >= FEW_DRILLS, unheard or ("" if facts.drills else "The first drill comes first."),
        ),
        _Line(
            Code.SIGN_OFF, "Be signed off",
            "A lead looks at your figures and signs you off, or asks for more.",
            False, "" if facts.drills >= FEW_DRILLS else "After the drills a lead looks at your figures.",
        ),
    ]  # fmt: skip


def _first_work(facts: Facts) -> list[_Line]:
    return [
        _Line(
            Code.FIRST_SHEET, "Propose your first sheet",
            "Open a track with a draft, correct its markers and propose them with a note.",
            facts.own_proposal, "" if facts.ready_crate_id or facts.own_proposal else _no_track(facts),
        ),
        _Line(
            Code.FIRST_REVIEW, "Review for the first time",
            "Listen to another member’s markers in the queue; approve them, or return them with remarks.",
            facts.own_verdict, "" if facts.proposed else "Nobody has proposed a sheet yet.",
        ),
    ]  # fmt: skip


def _new_crew(facts: Facts) -> list[_Line]:
    if not facts.proposed:
        unapproved = "First a sheet is proposed."
    elif not facts.reviewers:
        unapproved = "It takes a second lead or resident: nobody approves a sheet of their own."
    else:
        unapproved = ""
    return [
        _Line(
            Code.CONVENTION, "Choose a convention",
            "Start from one of ours and publish it; you can change it whenever you like.", facts.convention,
        ),
        _Line(
            Code.INVITE, "Invite a member",
            "Send somebody a link. Two are needed for the first sheet: nobody approves their own.",
            facts.others or facts.invited,
        ),
        _Line(
            Code.CRATE, "Make a crate", "It holds the tracks of one night.",
            facts.crate_id is not None, "" if facts.convention else "A crate follows a convention: that comes first.",
        ),
        _Line(
            Code.UPLOAD, "Upload a track",
            "A worker analyses it and drafts its markers, in a minute or two for a track of usual length.",
            facts.tracks, "" if facts.crate_id else "Tracks come into a crate, so that comes first.",
        ),
        _Line(
            Code.PROPOSE, "Correct the first draft and propose it",
            "Listen to each marker, move what is not right, and propose the sheet.",
            facts.proposed, "" if facts.ready_crate_id or facts.proposed else _no_track(facts),
        ),
        _Line(
            Code.APPROVED, "Have the first sheet approved",
            "Another member listens and approves it; from then on it is the track’s sheet.",
            facts.approved, unapproved,
        ),
        _Line(Code.NIGHT, "Plan a night", "With a date, the crew sees how ready its crates are.", facts.night),
    ]  # fmt: skip


def _no_track(facts: Facts) -> str:
    return "A worker is still listening to the tracks." if facts.tracks else "First a track is uploaded."


def start_of(member: Membership) -> Start:
    """The member's first hour as it stands; two queries, whatever the crew holds."""
    told = _told(member)
    facts = facts_of(member, told)
    return Start(steps_from(facts), Code.AWAY in told, facts)


def start_unless_away(member: Membership) -> Start | None:
    """The first hour where there is something left to do and the member has not put it away."""
    told = _told(member)
    if Code.AWAY in told:
        return None
    facts = facts_of(member, told)
    start = Start(steps_from(facts), away=False, facts=facts)
    return start if start.next else None


def facts_of(member: Membership, told: frozenset[str]) -> Facts:
    """What the tables show; one query."""
    crew, me = member.crew_id, member.user_id
    others = Membership.objects.filter(crew=crew).exclude(pk=member.pk)
    drills = Drill.objects.filter(membership=member.pk).order_by()
    handed_in = drills.exclude(handed_in_at=None).values("membership").annotate(count=Count("pk")).values("count")
    current = ConventionVersion.objects.filter(crew=crew, followed_by=None)
    places = CrateTrack.objects.filter(crate__crew=crew)
    shown = {
        "convention": _any(current),
        "others": _any(others),
        "reviewers": _any(others.filter(role__in=[Role.LEAD, Role.RESIDENT])),
        "invited": _any(usable_invitations().filter(crew=crew)),
        "crate_id": Subquery(Crate.objects.filter(crew=crew).order_by("-created_at").values("pk")[:1], UUIDField()),
        "tracks": _any(places),
        "ready_crate_id": Subquery(
            places.filter(track__state=TrackState.READY).order_by().values("crate")[:1], UUIDField()
        ),
        "proposed": _any(Proposal.objects.filter(crew=crew)),
        "approved": _any(SheetVersion.objects.filter(crew=crew)),
        "examples": _any(CountedSheet.objects.filter(convention_version__in=current)),
        "night": _any(Night.objects.filter(crew=crew)),
        "drills": Coalesce(Subquery(handed_in), 0),
        "drill_open": _any(drills.filter(handed_in_at=None)),
        "own_proposal": _any(Proposal.objects.filter(crew=crew, proposed_by=me)),
        "own_verdict": _any(Verdict.objects.filter(proposal__crew=crew, by=me)),
    }
    found = Membership.objects.annotate(**{f"shown_{name}": value for name, value in shown.items()})
    values = found.values_list(*(f"shown_{name}" for name in shown)).get(pk=member.pk)
    return Facts(role=Role(member.role), told=told, **dict(zip(shown, values, strict=True)))


def untaken(member: Membership) -> list[Code]:
    """Which of ``TOLD`` a newcomer or resident has not told yet; none for leads, who have other steps."""
    if member.role == Role.LEAD:
        return []
    told = _told(member)
    return [code for code in TOLD if code not in told]


def take_step(*, member: Membership, code: str) -> None:
    """Note that the member has taken one of ``TOLD``; again does nothing. Raises ``Invalid`` for any other step."""
    if code not in TOLD:
        raise Invalid("start:not-told")
    StartStep.objects.get_or_create(membership=member, code=code, defaults={"crew": member.crew})


def put_start_away(*, member: Membership, away: bool) -> None:
    """Put the member's list away from the crew's home, or bring it back."""
    if away:
        StartStep.objects.get_or_create(membership=member, code=Code.AWAY, defaults={"crew": member.crew})
    else:
        StartStep.objects.filter(membership=member, code=Code.AWAY).delete()


def _told(member: Membership) -> frozenset[str]:
    return frozenset(StartStep.objects.filter(membership=member).values_list("code", flat=True))


def _any(rows: QuerySet[Any]) -> Exists:
    return Exists(rows.order_by())
