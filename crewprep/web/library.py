"""A track in the library: its tags, its copies, and whether the same audio is there twice."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError, Invalid
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.jobs.models import LIVE_STATES, Job
from crewprep.tracks.copies import comparison_of, copy_for, offer_copy, use_copy
from crewprep.tracks.known import same_audio
from crewprep.tracks.models import Track
from crewprep.tracks.rules import may_edit_tags
from crewprep.tracks.selectors import copies_of, track_for
from crewprep.tracks.tags import Tags, edit_tags, tag_changes
from crewprep.tracks.upload import QuarantinedFile
from crewprep.tracks.work import retry_work
from crewprep.web.crates import ENDINGS, FORMATS
from crewprep.web.doors import crew_page


@crew_page
def track_about(request: HttpRequest, member: Membership, track_id: UUID) -> HttpResponseBase:
    """Tags and copies of a track; a POST writes the tags."""
    track = track_for(member, track_id)
    if track.same_as_id:
        messages.info(request, f"“{track.title}” is the same audio as this track, so its copy is here.")
        return redirect("track-about", member.crew.slug, track.same_as_id)
    if request.method != "POST":
        return _show(request, member, track)
    posted = request.POST
    try:
        seen = Tags(posted.get("seen_title", ""), posted.get("seen_artist", ""))
        new = Tags.of(posted.get("title", ""), posted.get("artist", ""))
        changed = edit_tags(member=member, track=track, seen=seen, new=new)
    except DomainError as error:
        return _show(request, member, track_for(member, track_id), error=error)
    messages.success(request, "The tags are changed." if changed else "The tags are as they were.")
    return redirect("track-about", member.crew.slug, track.pk)


@crew_page
def track_copies(request: HttpRequest, member: Membership, track_id: UUID) -> HttpResponseBase:
    """How the comparison of a better copy stands, for the page that watches it; a POST offers one or retries."""
    track = track_for(member, track_id)
    if request.method != "POST":
        job = comparison_of(track)
        response = render(request, "tracks/_comparison.html", _comparison(member, track, job))
        if request.headers.get("HX-Request") and not _is_live(job):
            response["HX-Refresh"] = "true"
        return response
    try:
        may_fill_crates(member).require()
        job = comparison_of(track)
        if request.POST.get("do") == "retry" and job is not None:
            retry_work(member=member, job=job)
            messages.success(request, "The copy waits for a worker again.")
        else:
            files = [file for file in request.FILES.getlist("audio") if isinstance(file, QuarantinedFile)]
            if len(files) != 1:
                raise Invalid("upload:name-missing")
            offer_copy(member=member, track=track, upload=files[0])
            messages.success(request, "The copy is taken in. A worker compares it with the track now.")
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("track-about", member.crew.slug, track.pk)


@crew_page
@require_POST
def track_copy_use(request: HttpRequest, member: Membership, track_id: UUID, copy_id: UUID) -> HttpResponseBase:
    """Hear another copy of the track from now on."""
    track = track_for(member, track_id)
    copy = copy_for(track, copy_id)
    try:
        use_copy(member=member, track=track, copy=copy)
    except DomainError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, f"“{copy.original_name}” is the reference copy now. All markers stay where they are.")
    return redirect("track-about", member.crew.slug, track.pk)


def _is_live(job: Job | None) -> bool:
    return job is not None and job.state in LIVE_STATES


def _comparison(member: Membership, track: Track, job: Job | None) -> dict[str, Any]:
    return {
        "member": member,
        "track": track,
        "job": job,
        "live": _is_live(job),
        "may_fill": may_fill_crates(member),
    }


def _show(request: HttpRequest, member: Membership, track: Track, *, error: DomainError | None = None) -> HttpResponse:
    """The page; after a refusal with what was typed."""
    typed = request.POST if error is not None else {}
    twins = same_audio(track)
    context = {
        "member": member,
        "current": "tracks",
        "track": track,
        "place": newest_places(member, [track.pk]).get(track.pk),
        "may_edit": may_edit_tags(member, track),
        "title": typed.get("title", track.title),
        "artist": typed.get("artist", track.artist),
        "error": error,
        "changes": tag_changes(track),
        "copies": copies_of(track),
        "twins": twins,
        "accept": ",".join(ENDINGS),
        "formats": FORMATS,
        **_comparison(member, track, comparison_of(track)),
    }
    return render(request, "tracks/about.html", context, status=error.status if error else 200)


urlpatterns = [
    path("tracks/<uuid:track_id>/about/", track_about, name="track-about"),
    path("tracks/<uuid:track_id>/copies/", track_copies, name="track-copies"),
    path("tracks/<uuid:track_id>/copies/<uuid:copy_id>/use/", track_copy_use, name="track-copy-use"),
]
