"""A track in the library: its tags, its copies, and whether the same audio is there twice."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from crewprep.common.errors import DomainError
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.tracks.known import same_audio
from crewprep.tracks.models import Track
from crewprep.tracks.rules import may_edit_tags
from crewprep.tracks.selectors import copies_of, track_for
from crewprep.tracks.tags import Tags, edit_tags, tag_changes
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


def _show(request: HttpRequest, member: Membership, track: Track, *, error: DomainError | None = None) -> HttpResponse:
    """The page; after a refusal with what was typed."""
    typed = request.POST if error is not None else {}
    twins = same_audio(track)
    context = {
        "member": member,
        "current": "crates",
        "track": track,
        "place": newest_places(member, [track.pk]).get(track.pk),
        "may_edit": may_edit_tags(member, track),
        "title": typed.get("title", track.title),
        "artist": typed.get("artist", track.artist),
        "error": error,
        "changes": tag_changes(track),
        "copies": copies_of(track),
        "twins": twins,
    }
    return render(request, "tracks/about.html", context, status=error.status if error else 200)


urlpatterns = [path("tracks/<uuid:track_id>/about/", track_about, name="track-about")]
