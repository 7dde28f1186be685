"""My crews, and a crew's home."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.selectors import current_version
from crewprep.crates.models import Crate
from crewprep.crates.selectors import next_night
from crewprep.crates.services import make_crate
from crewprep.crews.models import Membership, Role, User
from crewprep.crews.rules import may_fill_crates, may_lead, may_review_at_all
from crewprep.crews.selectors import members_of, memberships_of
from crewprep.readiness.selectors import open_counts
from crewprep.review.selectors import open_proposals
from crewprep.sheets.selectors import crates_with_sheets
from crewprep.splitting.selectors import my_tracks
from crewprep.web.doors import crew_page, signed_in_page
from crewprep.web.forms import CrateForm
from crewprep.web.recent import recent
from crewprep.web.start import next_line
from crewprep.web.words import crate_progress

_ROLES = [Role.LEAD, Role.RESIDENT, Role.NEWCOMER]


@dataclass(frozen=True, slots=True)
class CrateLine:
    """A crate in the list, with its counts in words."""

    crate: Crate
    tracks: int
    progress: str
    ready: bool


@signed_in_page
def home(request: HttpRequest) -> HttpResponse:
    """The crews of whoever signed in; straight on where there is one."""
    assert isinstance(request.user, User)
    crews = list(memberships_of(request.user))
    if len(crews) == 1:
        return redirect("crew-home", crews[0].crew.slug)
    return render(request, "crews/mine.html", {"memberships": crews})


@crew_page
def crew_home(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Crates, the queue's size, who is who, what happened lately; a form to make a crate."""
    form = CrateForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            crate = make_crate(
                member=member,
                name=form.cleaned_data["name"],
                night_date=form.cleaned_data["night_date"],
                convention_version=current_version(member),
            )
        except (Conflict, Invalid) as error:
            form.add_error("name", error.sentence)
            status = error.status
        else:
            messages.success(request, f"“{crate.name}” is made. Upload its tracks now.")
            return redirect("crate", member.crew.slug, crate.pk)
    elif request.method == "POST":
        may_fill_crates(member).require()
        status = 422
    night = next_night(member)
    return render(
        request,
        "crews/home.html",
        {
            "member": member,
            "current": "crates",
            "crates": [_line(crate) for crate in crates_with_sheets(member)],
            "form": form,
            "may_fill": may_fill_crates(member),
            "may_lead": may_lead(member),
            "may_review": may_review_at_all(member),
            "convention": current_version(member),
            "night": night,
            "night_count": open_counts([night])[night.pk] if night else None,
            "queue_size": open_proposals(member).count(),
            "members": sorted(members_of(member), key=lambda person: _ROLES.index(person.role)),
            "happenings": recent(member),
            "yours": my_tracks(member),
            "start": next_line(member),
        },
        status=status,
    )


def _line(crate: Crate) -> CrateLine:
    tracks, sheets = crate.track_count, crate.sheet_count  # type: ignore[attr-defined]  # annotated by crates_with_sheets
    return CrateLine(crate, tracks, crate_progress(tracks, sheets), ready=0 < tracks == sheets)


urlpatterns = [
    path("", home, name="home"),
    path("c/<slug:crew>/", crew_home, name="crew-home"),
]
