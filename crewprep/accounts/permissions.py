"""What each role may do, answered by the very rules that the services ask.

One line for a thing that members do, each with a question to a rule; the page and the API show the answers, so a change
of a rule changes them. A rule about a certain thing is asked about a stand-in for it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast
from uuid import uuid4

from crewprep.common.access import Answer
from crewprep.crews import rules as crews
from crewprep.crews.models import Crew, Membership, Role, User
from crewprep.onboarding import rules as onboarding
from crewprep.onboarding.models import Drill
from crewprep.review import rules as review
from crewprep.review.models import Proposal, Remark
from crewprep.splitting import rules as splitting
from crewprep.tracks import rules as tracks
from crewprep.tracks.models import Track
from crewprep.webhooks import rules as webhooks

ROLES = (Role.LEAD, Role.RESIDENT, Role.NEWCOMER)


@dataclass(frozen=True, slots=True)
class _Nobody:
    """No contributors."""

    def all(self) -> list[User]:
        return []


@dataclass(frozen=True, slots=True)
class _ProposalBy:
    """As much of a proposal as rules look at: who had a hand in it."""

    proposed_by_id: int
    changed_by_id: int
    contributors: _Nobody
    first_approved_by_id: int | None = None


@dataclass(frozen=True, slots=True)
class _RemarkBy:
    """As much of a remark as rules look at."""

    by_id: int
    proposal: Proposal


def _proposal(user_id: int) -> Proposal:
    return cast(Proposal, _ProposalBy(user_id, user_id, _Nobody()))


def own(member: Membership) -> Proposal:
    """A stand-in for a proposal of the member's own."""
    return _proposal(member.user_id)


def anothers(member: Membership) -> Proposal:
    """A stand-in for another member's proposal."""
    return _proposal(member.user_id + 1)


def anothers_remark(member: Membership) -> Remark:
    """A stand-in for another member's remark on another member's proposal."""
    return cast(Remark, _RemarkBy(member.user_id + 1, anothers(member)))


def another(member: Membership) -> Membership:
    """A stand-in for another member of the crew."""
    return Membership(crew=member.crew, role=Role.RESIDENT, user_id=member.user_id + 1)


def newcomer(member: Membership) -> Membership:
    """A stand-in for a newcomer of the crew."""
    return Membership(crew=member.crew, role=Role.NEWCOMER, user_id=member.user_id + 1)


@dataclass(frozen=True, slots=True)
class Permission:
    """A thing that members do: a stable code, its words, and the question to the rule about it."""

    code: str
    words: str
    ask: Callable[[Membership], Answer]


PERMISSIONS = (
    Permission("prepare", "Hold a track, correct its markers and propose a sheet", crews.may_prepare),
    Permission("amend", "Change a pending proposal, and become one of its authors",
               lambda member: review.may_amend(member, anothers(member))),
    Permission("withdraw-own", "Withdraw a proposal of one’s own",
               lambda member: review.may_withdraw(member, own(member))),
    Permission("withdraw", "Withdraw another member’s proposal",
               lambda member: review.may_withdraw(member, anothers(member))),
    Permission("review", "Approve or return another member’s proposal",
               lambda member: review.may_review(member, anothers(member))),
    Permission("review-own", "Approve or return a proposal one had a hand in",
               lambda member: review.may_review(member, own(member))),
    Permission("reopen", "Open a withdrawn proposal of one’s own again",
               lambda member: review.may_reopen(member, own(member))),
    Permission("ask", "Put the review of another’s proposal to a member",
               lambda member: review.may_ask(member, anothers(member))),
    Permission("talk", "Write a remark on a proposal without a verdict, and reply to remarks",
               lambda member: review.may_talk(member, anothers(member))),
    Permission("settle", "Settle another’s remark on another’s proposal",
               lambda member: review.may_resolve(member, anothers_remark(member))),
    Permission("review-options", "Ask for two reviewers, allow bulk approval", crews.may_lead),
    Permission("fill-crates", "Plan nights, make crates, upload tracks", crews.may_fill_crates),
    Permission("tags", "Correct title and artist of a track that another brought in",
               lambda member: tracks.may_edit_tags(member, Track(added_by_id=member.user_id + 1))),
    Permission("tags-own", "Correct title and artist of a track one brought in",
               lambda member: tracks.may_edit_tags(member, Track(added_by_id=member.user_id))),
    Permission("correct-grid", "Correct a track’s grid", crews.may_prepare),
    Permission("publish", "Publish a convention and set how severe house checks are", crews.may_lead),
    Permission("double-marking", "Have members mark tracks without seeing each other", crews.may_lead),
    Permission("split", "Split a crate among members", splitting.may_split),
    Permission("assign", "Give a track to a member, or let another’s hold go", crews.may_lead),
    Permission("retry", "Retry work that was given up", crews.may_fill_crates),
    Permission("members", "Invite, change roles, hand the lead over", crews.may_look_after_members),
    Permission("remove", "Remove another member", lambda member: crews.may_end(member, another(member))),
    Permission("progress", "See how another member does in drills",
               lambda member: onboarding.may_see_progress(member, another(member))),
    Permission("sign-off", "Sign a newcomer off, or ask for more practice",
               lambda member: onboarding.may_sign_off(member, newcomer(member))),
    Permission("sign-off-bar", "Set what a newcomer must show before the sign-off", crews.may_lead),
    Permission("webhooks", "Have other programs told of verdicts", webhooks.may_run_webhooks),
    Permission("practise", "Drill on the crew’s approved sheets", onboarding.may_practise),
    Permission("drill-own", "Mark, hand in or drop a drill of one’s own",
               lambda member: onboarding.may_work_on_drill(member, Drill(membership_id=member.pk))),
    Permission("drill", "Look at another member’s drill and how it went",
               lambda member: onboarding.may_look_at_drill(member, Drill(membership_id=uuid4()))),
    Permission("leave", "Leave the crew", lambda member: crews.may_end(member, member)),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PermissionRow:
    """A permission with the answer for each of ``ROLES``."""

    permission: Permission
    answers: tuple[Answer, ...]


def permission_table(crew: Crew) -> list[PermissionRow]:
    """Every permission with what its rule answers to a member of each role; asks no table."""
    members = [Membership(crew=crew, role=role, user_id=0) for role in ROLES]
    return [PermissionRow(one, tuple(one.ask(member) for member in members)) for one in PERMISSIONS]
