"""What a member should know: the list, what they choose to be told, and the link that stops mails."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import path
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from crewprep.common.errors import Invalid, NotFound
from crewprep.common.policy import Policy, declare
from crewprep.crews.models import Membership
from crewprep.notices.choices import choices_of, choose, member_by_token, unsubscribe
from crewprep.notices.selectors import earlier_of, notice_for, unread_of
from crewprep.notices.services import mark_all_read, mark_read
from crewprep.web.doors import crew_page, refusal
from crewprep.web.notice_forms import NoticeChoicesForm
from crewprep.web.words import count_of

UNREAD_SHOWN = 100
EARLIER_A_PAGE = 30


@crew_page
def notices_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """One's notices, unread ones first; a POST marks all as read."""
    if request.method == "POST":
        read = mark_all_read(member=member)
        messages.success(request, f"{count_of(read, 'notice')} marked as read." if read else "Nothing was unread.")
        return redirect("notices", member.crew.slug)
    context = {
        "member": member,
        "current": "notices",
        "unread_ones": unread_of(member)[:UNREAD_SHOWN],
        "earlier": Paginator(earlier_of(member), EARLIER_A_PAGE).get_page(request.GET.get("page")),
    }
    return render(request, "notices/notices.html", context)


@crew_page
@require_POST
def notice_page(request: HttpRequest, member: Membership, notice_id: UUID) -> HttpResponseBase:
    """Mark one as read, and go where it leads where that was asked for."""
    notice = notice_for(member, notice_id)
    mark_read(member=member, notice=notice)
    return redirect(notice.path if request.POST.get("do") == "open" else "notices", *_slug(request, member))


@crew_page
def choices_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Which notices come how, and at which hours."""
    form = NoticeChoicesForm.of(choices_of(member), request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                choose(member=member, **form.chosen())
            except Invalid as error:
                form.add_error("quiet_from" if error.code == "notice:quiet-hours" else None, error.sentence)
            else:
                messages.success(request, "Your choices are saved.")
                return redirect("notice-choices", member.crew.slug)
    context = {"member": member, "current": "notices", "form": form}
    return render(request, "notices/choices.html", context, status=status)


@declare(Policy.PUBLIC)
@csrf_exempt  # a mail program posts here without a page of ours (RFC 8058); the signed link says for whom
def unsubscribe_page(request: HttpRequest, mail_token: str) -> HttpResponse:
    """What a mail's link leads to: a page with a button; a POST stops the mails, from there or from a mail program."""
    try:
        member = member_by_token(mail_token)
    except NotFound as error:
        return refusal(request, error)
    if request.method == "POST":
        unsubscribe(member)
    elif request.method not in {"GET", "HEAD"}:
        return HttpResponse(status=405, headers={"Allow": "GET, HEAD, POST"})
    # Drawn without the request: whoever holds the link need not be the one who is signed in here.
    context = {"crew": member.crew, "done": choices_of(member).mail_off}
    return HttpResponse(render_to_string("notices/unsubscribe.html", context))


def _slug(request: HttpRequest, member: Membership) -> tuple[str, ...]:
    return () if request.POST.get("do") == "open" else (member.crew.slug,)


urlpatterns = [
    path("", notices_page, name="notices"),
    path("choices/", choices_page, name="notice-choices"),
    path("<uuid:notice_id>/", notice_page, name="notice"),
]

public_urlpatterns = [
    path("unsubscribe/<str:mail_token>/", unsubscribe_page, name="unsubscribe"),
]
