"""A crate: bring tracks in and watch them get ready."""

from __future__ import annotations

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_POST

from analysis_worker.core.limits import Limits
from analysis_worker.core.sniff import EXTENSIONS
from crewprep.common.errors import DomainError, Invalid, NotFound
from crewprep.common.messages import sentence_for
from crewprep.crates.models import Crate
from crewprep.crates.selectors import crate_for, places_of
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.library.search import addable
from crewprep.sheets.services import bring_in, put_in_crate
from crewprep.splitting.rules import may_split
from crewprep.tracks.models import Track
from crewprep.tracks.selectors import track_for
from crewprep.tracks.upload import REFUSE_BODY_FACTOR, QuarantinedFile
from crewprep.tracks.work import job_for, retry_work
from crewprep.web.crate_list import drawn_rows
from crewprep.web.crate_rows import CrateState, crate_state
from crewprep.web.doors import crew_page, wants_json
from crewprep.web.typed import number_of, uuid_of

ENDINGS = sorted({ending for endings in EXTENSIONS.values() for ending in endings})
FORMATS = "WAV, FLAC, AIFF, MP3, Ogg Vorbis, Opus or M4A"


@crew_page
@require_GET
def crate_page(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """Upload, and the list of tracks with their states."""
    crate = crate_for(member, crate_id)
    state = crate_state(crate, number_of(request.GET.get("page", ""), otherwise=1))
    find = request.GET.get("find", "")[:200]
    may_fill = may_fill_crates(member)
    limits = Limits()
    return render(
        request,
        "crates/crate.html",
        {
            **_list_context(member, crate, state),
            "current": "crates",
            "may_fill": may_fill,
            "may_split": may_split(member),
            "find": find,
            "addable": addable(member, find, crate) if may_fill else [],
            "accept": ",".join(ENDINGS),
            "sentences": {
                "not_audio": sentence_for("audio:not-audio"),
                "too_large": sentence_for("audio:too-large"),
                "empty": sentence_for("audio:empty"),
            },
            "formats": FORMATS,
            "max_bytes": limits.max_bytes,
            "max_mb": limits.max_bytes // 1_000_000,
            "max_body_mb": REFUSE_BODY_FACTOR * settings.UPLOAD_MAX_BYTES // 1_000_000,
            "max_hours": limits.max_duration_s / 3600,
        },
    )


@crew_page
@require_GET
def track_list(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """The list alone, for the page that watches it; no content where it is as ``seen``."""
    crate = crate_for(member, crate_id)
    state = crate_state(crate, number_of(request.GET.get("page", ""), otherwise=1))
    if request.GET.get("seen") == state.seen:
        return HttpResponse(status=204)
    return render(request, "crates/_tracks.html", {**_list_context(member, crate, state), "swapped": True})


@crew_page
@require_POST
def upload(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """One file from the script, answered with JSON; or many from the plain form, answered with the crate page.

    Each file stands for itself: a refused one does not hold up the others.
    """
    crate = crate_for(member, crate_id)
    may_fill_crates(member).require()
    files = [file for file in request.FILES.getlist("audio") if isinstance(file, QuarantinedFile)]
    if wants_json(request):
        if len(files) != 1:
            raise Invalid("upload:name-missing")
        done = bring_in(member=member, crate=crate, upload=files[0])
        answer = {"track": str(done.track.pk), "title": done.track.title}
        if done.is_new:
            return JsonResponse(answer, status=201)
        return JsonResponse({**answer, "detail": known_words(done.track)})
    if not files:
        messages.error(request, Invalid("upload:name-missing").sentence)
    taken = 0
    for file in files:
        try:
            done = bring_in(member=member, crate=crate, upload=file)
            if done.is_new:
                taken += 1
            else:
                messages.info(request, f"{file.name}: {known_words(done.track)}")
        except DomainError as error:
            messages.error(request, f"{file.name}: {error.sentence}")
    if taken:
        messages.success(request, f"{taken} of {len(files)} files taken in. A worker analyses them now.")
    return redirect("crate", member.crew.slug, crate.pk)


@crew_page
@require_POST
def add_existing(request: HttpRequest, member: Membership, crate_id: UUID) -> HttpResponseBase:
    """Put a track that the crew has already into this crate."""
    crate = crate_for(member, crate_id)
    track = track_for(member, uuid_of(request.POST.get("track", "")))
    put_in_crate(member=member, crate=crate, track=track)
    messages.success(request, f"“{track.title}” is in this crate now.")
    return redirect("crate", member.crew.slug, crate.pk)


@crew_page
@require_POST
def retry_job(request: HttpRequest, member: Membership, crate_id: UUID, job_id: UUID) -> HttpResponseBase:
    """Have work that was given up tried again."""
    crate = crate_for(member, crate_id)
    job = job_for(member, job_id)
    if not places_of(crate).filter(track=job.track_id).exists():
        raise NotFound
    retry_work(member=member, job=job)
    messages.success(request, "The work waits for a worker again.")
    return redirect("crate", member.crew.slug, crate.pk)


def known_words(track: Track) -> str:
    """What to tell of a file that the crew has already."""
    return f"Your crew has this file already, as “{track}”; that track is in this crate now."


def _list_context(member: Membership, crate: Crate, state: CrateState) -> dict[str, object]:
    address = reverse("crate-tracks", args=[member.crew.slug, crate.pk])
    return {
        "member": member,
        "crate": crate,
        "state": state,
        "rows": drawn_rows(member, crate, state),
        "may_retry": bool(may_fill_crates(member)),
        "list_address": f"{address}?page={state.page}&seen={state.seen}",
        "page_before": state.page - 1,
        "page_after": state.page + 1 if state.page < state.pages else 0,
    }


urlpatterns = [
    path("<uuid:crate_id>/", crate_page, name="crate"),
    path("<uuid:crate_id>/tracks/", track_list, name="crate-tracks"),
    path("<uuid:crate_id>/upload/", upload, name="crate-upload"),
    path("<uuid:crate_id>/add/", add_existing, name="crate-add"),
    path("<uuid:crate_id>/retry/<uuid:job_id>/", retry_job, name="crate-retry"),
]
