"""What happened lately in a crew, in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from crewprep.activity.models import Activity
from crewprep.crews.models import Membership
from crewprep.crews.selectors import names_of
from crewprep.review.models import Proposal
from crewprep.tracks.models import Track
from crewprep.web.words import count_of

RECENT = 12

Words = Callable[[Mapping[str, Any], str], str]


def _recheck_words(details: Mapping[str, Any]) -> str:
    if details.get("how") == "still right":
        return f"found the sheet of “{details.get('track')}” still right: {details.get('note', '')}"
    if details.get("how") == "replaced":
        return f"approved another sheet of “{details.get('track')}” in place of one that waited for a re-check"
    return f"closed the re-check of “{details.get('track')}” with a new sheet"


WORDS: dict[str, Words] = {
    "crew founded": lambda details, _: "founded the crew",
    "member added": lambda details, _: f"added {details.get('person', 'somebody')} as {details.get('role', 'member')}",
    "member joined": lambda details, _: f"joined as {details.get('role', 'member')} by invitation",
    "member invited": lambda details, _: f"invited a {details.get('role', 'member')}",
    "invitation withdrawn": lambda details, _: f"withdrew an invitation as {details.get('role', 'member')}",
    "role changed": lambda details, _: f"made {details.get('person', 'somebody')} {details.get('role', 'a member')}",
    "lead handed over": lambda details, _: f"handed the lead over to {details.get('person', 'somebody')}",
    "member left": lambda details, _: "left the crew",
    "member removed": lambda details, _: f"removed {details.get('person', 'somebody')} from the crew",
    "convention published": lambda details, _: (
        f"published the convention “{details.get('name')}”, version {details.get('number')}"
    ),
    "re-check list opened": lambda details, _: (
        f"put {count_of(int(details.get('sheets', 0)), 'sheet')} on the re-check list of “{details.get('version', '')}”"
    ),
    "re-check closed": lambda details, title: _recheck_words(details),
    "crate moved": lambda details, _: (
        f"moved the crate “{details.get('crate', 'a crate')}” to “{details.get('to', 'another version')}”"
    ),
    "crate made": lambda details, _: f"made the crate “{details.get('name')}”",
    "night made": lambda details, _: f"made the night “{details.get('name')}”",
    "night changed": lambda details, _: f"changed the night “{details.get('name')}”",
    "crate put under night": lambda details, _: (
        f"put “{details.get('name')}” under the night “{details.get('night', '')}”"
    ),
    "crate taken from night": lambda details, _: (
        f"took “{details.get('name')}” from the night “{details.get('night', '')}”"
    ),
    "crate split": lambda details, _: (
        f"split “{details.get('name', 'a crate')}”: {count_of(details.get('tracks', 0), 'track')} "
        f"for {count_of(details.get('members', 0), 'member')}"
    ),
    "track uploaded": lambda details, title: f"uploaded “{title or details.get('name')}”",
    "track added to crate": lambda details, title: f"put “{title}” into “{details.get('crate')}”",
    "track folded": lambda details, title: (
        f"“{details.get('title') or title}” is the same audio as “{details.get('owner') or title}”, "
        "which the crate has now"
    ),
    "copy replaced": lambda details, title: f"put another copy of “{title or details.get('title', '…')}” in place",
    "copy refused": lambda details, title: f"a copy of “{title or details.get('title', '…')}” has another timeline",
    "list applied": lambda details, title: (
        f"applied the list “{details.get('name')}”: tags of {details.get('tags', 0)}, "
        f"old markers of {count_of(int(details.get('tracks', 0)), 'track')}"
    ),
    "tags edited": lambda details, title: f"wrote the tags of “{title}” anew",
    "track taken out": lambda details, title: f"took “{title}” out of “{details.get('crate')}”",
    "track refused": lambda details, title: f"“{title}” could not be used",
    "work given up": lambda details, title: "work on a track was given up and waits for a retry",
    "work retried": lambda details, title: "asked for work that had been given up to be tried again",
    "proposed": lambda details, title: f"proposed a sheet for “{title or details.get('track')}”",
    "proposal changed": lambda details, title: f"changed the proposal for “{title}”",
    "approved": lambda details, title: f"approved sheet {details.get('sheet')} of “{title or details.get('track')}”",
    "approved once": lambda details, title: f"gave the first of two approvals for “{title or details.get('track')}”",
    "proposal merged": lambda details, title: (
        f"merged the proposal for “{title or details.get('track')}” with sheet {details.get('sheet')}"
    ),
    "proposal opened again": lambda details, title: f"opened the proposal for “{title or details.get('track')}” again",
    "reviewer asked": lambda details, title: (
        f"asked {details.get('person', 'somebody')} to review “{title or details.get('track')}”"
    ),
    "review passed on": lambda details, title: (
        f"passed the review of “{title or details.get('track')}” on to {details.get('person', 'somebody')}"
    ),
    "remarked": lambda details, title: f"wrote a remark on “{title or details.get('track')}”",
    "replied": lambda details, title: f"replied to a remark on “{title or details.get('track')}”",
    "remark resolved": lambda details, title: f"settled a remark on “{title or details.get('track')}”",
    "remark opened again": lambda details, title: f"opened a remark on “{title or details.get('track')}” again",
    "review options set": lambda details, _: "changed how the crew reviews",
    "returned": lambda details, title: f"returned the proposal for “{title or details.get('track')}”",
    "double marking opened": lambda details, _: (
        f"opened the double marking “{details.get('name')}”: {count_of(int(details.get('members', 0)), 'member')}, "
        f"{count_of(int(details.get('tracks', 0)), 'track')}"
    ),
    "blind sheet handed in": lambda details, _: f"handed in a track of the double marking “{details.get('name')}”",
    "double marking finished": lambda details, _: f"everybody has handed in the double marking “{details.get('name')}”",
    "double marking closed": lambda details, _: f"closed the double marking “{details.get('name')}”",
    "bar set": lambda details, _: "set what newcomers must show before they are signed off",
    "signed off": lambda details, _: f"signed {details.get('person', 'somebody')} off",
    "asked for more practice": lambda details, _: f"asked {details.get('person', 'somebody')} for more practice",
    "webhook added": lambda details, _: "had another program told of verdicts",
    "webhook secret renewed": lambda details, _: "gave a webhook another secret",
    "webhook switched on": lambda details, _: "switched a webhook on",
    "webhook switched off": lambda details, _: "switched a webhook off",
    "webhook removed": lambda details, _: "removed a webhook",
    "drill handed in": lambda details, _: f"handed in a drill on “{details.get('track', 'a track')}”",
    "withdrawn": lambda details, title: f"withdrew the proposal for “{title or details.get('track')}”",
}
"""What each verb of the record reads like after the actor's name; other verbs are the workers' own."""


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened. ``who`` is empty where a worker did it."""

    at: dt.datetime
    who: str
    what: str


def recent(member: Membership) -> list[Happening]:
    """The newest happenings of the member's crew, at most ``RECENT``; four queries however many."""
    rows = list(
        Activity.objects.filter(crew=member.crew, verb__in=WORDS)
        .select_related("actor")
        .order_by("-created_at")[:RECENT]
    )
    titles = _titles(member, rows)
    names = names_of(row.details["person"] for row in rows if row.details.get("person"))
    return [
        Happening(
            at=row.created_at,
            who=str(row.actor) if row.actor else "",
            what=WORDS[row.verb](_named(row.details, names), titles.get(row.subject_id, "")),
        )
        for row in rows
    ]


def _named(details: Mapping[str, Any], names: Mapping[int, str]) -> dict[str, Any]:
    """Details with the name that a person has now in the place of the id that the record keeps."""
    return {**details, "person": names.get(details.get("person") or 0, "somebody")}


def _titles(member: Membership, rows: list[Activity]) -> dict[UUID, str]:
    """The track's title for each subject that is a track or a proposal."""
    tracks = {row.subject_id for row in rows if row.subject_kind == "track"}
    proposals = {row.subject_id for row in rows if row.subject_kind == "proposal"}
    found: dict[UUID, str] = dict(
        Track.objects.filter(crew=member.crew, pk__in=tracks).order_by().values_list("pk", "title")
    )
    found |= dict(
        Proposal.objects.filter(crew=member.crew, pk__in=proposals).order_by().values_list("pk", "track__title")
    )
    return found
