"""Splitting a crate: what is to do, a look at how it would be divided, changes by hand, and applying it.

A look is a GET with everyone's free minutes in its address; applying is the form below it, with a list for each track.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from crewprep.common.errors import DomainError, Invalid, NotFound
from crewprep.crates.selectors import crate_for
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_review_at_all
from crewprep.splitting.rules import may_split
from crewprep.splitting.selectors import CrateToDo, Load, Preview, TrackToDo, as_preview, preview_of, to_do_in, without
from crewprep.splitting.services import MOST_MINUTES, Wanted, apply_split
from crewprep.web.doors import crew_page
from crewprep.web.typed import number_of


@dataclass(frozen=True, slots=True)
class Row:
    """A member in the table of loads. The bar's numbers are percent of the longest one."""

    load: Load
    prepare: str
    review: str
    free: str


@dataclass(frozen=True, slots=True)
class Choice:
    """A track in the table: who is chosen, who had it before, and between whom one may choose."""

    one: TrackToDo
    preparer: Membership | None
    reviewer: Membership | None
    had_preparer: Membership | None
    had_reviewer: Membership | None
    reviewers: Sequence[Membership]


@dataclass(frozen=True, slots=True)
class Asked:
    """What an address or a form asks for: free minutes by user, as they were typed by member, who drops out."""

    typed: Mapping[str, str]
    free: Mapping[int, int]
    keep: bool
    out: Membership | None

    @property
    def outside(self) -> list[int]:
        """The ids of users who drop out."""
        return [self.out.user_id] if self.out else []


@crew_page
@require_http_methods(["GET", "HEAD", "POST"])
def split_page(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """Who is to do what, and how it would be divided; a POST applies what stands in the lists."""
    crate = crate_for(member, crate_id)
    to_do = to_do_in(crate, member)
    fields = (request.POST if request.method == "POST" else request.GET).dict()
    now = as_preview(to_do, to_do.tracks, to_do.free)
    asked = Asked({}, to_do.free, keep=True, out=None)
    try:
        asked = _asked(fields, to_do)
        if request.method == "POST":
            may_split(member).require()
            now = as_preview(to_do, _chosen(fields, without(to_do, asked.outside)), asked.free)
            wanted = [Wanted(one.track.pk, one.preparer, one.reviewer) for one in now.tracks]
            apply_split(
                member=member, crate=crate, wanted=wanted,
                seen_revision=number_of(fields.get("revision", ""), otherwise=-1), free=asked.free, out=asked.outside,
            )  # fmt: skip
            messages.success(request, "The split is applied. Everyone finds theirs on the crew's page.")
            return redirect("split", member.crew.slug, crate.pk)
        if "look" in fields or asked.out:
            now = preview_of(to_do, asked.free, keep=asked.keep, out=asked.outside)
            if not any(asked.free.values()):
                raise Invalid("split:nobody")
    except NotFound:
        raise
    except DomainError as error:
        return _show(request, member, to_do, now, replace(asked, typed=_typed(fields, to_do)), error)
    return _show(request, member, to_do, now, asked, None)


def _show(
    request: HttpRequest, member: Membership, to_do: CrateToDo, shown: Preview, asked: Asked, error: DomainError | None
) -> HttpResponse:
    before = {one.track.pk: one for one in to_do.tracks}
    people = {one.user_id: one for one in to_do.members}
    # The lists show what was split before where the form was not even read.
    looked = request.method == "POST" or "look" in request.GET or asked.out is not None
    context: dict[str, Any] = {
        "member": member,
        "current": "crates",
        "crate": to_do.crate,
        "to_do": to_do,
        "asked": asked,
        "looked": looked,
        "shown": shown,
        "rows": _rows(shown.loads),
        "choices": [_choice(one, before[one.track.pk], people) for one in shown.tracks],
        "free": [(one, asked.typed.get(str(one.pk), str(asked.free.get(one.user_id, "")))) for one in to_do.members],
        "may_split": may_split(member),
        "error": error,
        "most": MOST_MINUTES,
    }
    return render(request, "crates/split.html", context, status=error.status if error else 200)


def _choice(one: TrackToDo, before: TrackToDo, people: Mapping[int, Membership]) -> Choice:
    def person(user: int | None) -> Membership | None:
        return people.get(user or 0)

    return Choice(
        one=one,
        preparer=person(one.preparer),
        reviewer=person(one.reviewer),
        had_preparer=person(before.preparer) if before.preparer != one.preparer else None,
        had_reviewer=person(before.reviewer) if before.reviewer != one.reviewer else None,
        reviewers=[who for who in people.values() if may_review_at_all(who) and who.user_id not in one.authors],
    )


def _rows(loads: Sequence[Load]) -> list[Row]:
    longest = max([1, *(max(load.total, load.free) for load in loads)])
    return [
        Row(load, *(f"{100 * part / longest:.1f}" for part in (load.prepare, load.review, load.free))) for load in loads
    ]


def _typed(fields: Mapping[str, str], to_do: CrateToDo) -> dict[str, str]:
    return {str(one.pk): fields[f"free-{one.pk}"].strip()[:10] for one in to_do.members if f"free-{one.pk}" in fields}


def _asked(fields: Mapping[str, str], to_do: CrateToDo) -> Asked:
    """Raises ``Invalid`` where minutes cannot be read."""
    typed = _typed(fields, to_do)
    out = next((one for one in to_do.members if str(one.pk) == fields.get("out")), None)
    if not typed:
        free = {user: minutes for user, minutes in to_do.free.items() if out is None or user != out.user_id}
        return Asked({}, free, keep=True, out=out)
    free = {}
    for one in to_do.members:
        text = typed.get(str(one.pk), "") or "0"
        minutes = number_of(text, otherwise=-1)
        if not 0 <= minutes <= MOST_MINUTES:
            raise Invalid("split:free", most=MOST_MINUTES, text=text[:20])
        if out is None or one.pk != out.pk:
            free[one.user_id] = minutes
    return Asked(typed, free, keep="anew" not in fields, out=out)


def _chosen(fields: Mapping[str, str], to_do: CrateToDo) -> list[TrackToDo]:
    """The tracks with who stands in their lists; a list that is not there leaves things as they are."""
    users: dict[str, int | None] = {str(one.pk): one.user_id for one in to_do.members}

    def user(name: str, otherwise: int | None) -> int | None:
        return users.get(fields[name]) if name in fields else otherwise

    return [
        replace(
            one,
            preparer=user(f"prepare-{one.track.pk}", one.preparer),
            reviewer=user(f"review-{one.track.pk}", one.reviewer),
        )
        for one in to_do.tracks
    ]


urlpatterns = [path("<uuid:crate_id>/split/", split_page, name="split")]
