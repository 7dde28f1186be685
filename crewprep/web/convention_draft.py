"""Writing the next version of the convention: the draft, what it would do, publishing it, and one from a file."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path

from analysis_worker.core.convention import MAX_SLOTS, MIN_SLOTS
from crewprep.common.errors import Conflict, DomainError, Invalid
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import ConventionDraft
from crewprep.conventions.selectors import (
    as_document,
    convention_draft_for,
    convention_version_for,
    current_version,
    draft_of,
    newest_of_name,
)  # fmt: skip
from crewprep.conventions.services import STARTERS, drop_draft, name_of, renew_draft, save_draft, slots_from, starter
from crewprep.conventions.sharing import MAX_BYTES, read_file
from crewprep.crates.selectors import newest_places
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.sheets.affected import Effect
from crewprep.sheets.publishing import effect_of_draft, publish
from crewprep.sheets.rechecks import recheck_progress
from crewprep.web.convention_form import PREFIX, SlotInForm, document_of, form_of, rearranged
from crewprep.web.convention_words import change_lines, effect_lines
from crewprep.web.doors import crew_page
from crewprep.web.forms import ConventionNameForm, SlotFormSet
from crewprep.web.typed import number_of, uuid_of
from crewprep.web.words import count_of

SHEETS_A_PAGE = 50


@crew_page
def draft_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Write the draft, slot by slot. Every button saves the whole form: no scripts are needed and nothing is lost."""
    may_lead(member).require()
    draft = draft_of(member)
    if request.method != "POST":
        document = _start(member, draft, request.GET.get("from", ""))
        reword = _slot_to_reword(request, member, document)
        return _form_page(request, member, draft, *form_of(document), reword=reword)
    wanted, _, place = request.POST.get("do", "").partition("-")
    posted = request.POST.dict()
    name, slots = ConventionNameForm(posted), SlotFormSet(posted, prefix=PREFIX)
    document, focus = rearranged(document_of(posted), wanted, number_of(place))
    try:
        draft = save_draft(member=member, document=document, seen_revision=number_of(posted.get("seen_revision", "")))
    except Conflict as error:
        return _form_page(request, member, draft, name, slots, status=409, refused=error.sentence)
    if wanted != "check":
        if wanted == "save":
            messages.success(request, "The draft is saved. Nothing is published yet.")
            return redirect("convention-draft", member.crew.slug)
        return _form_page(request, member, draft, *form_of(document), focus=focus)
    if not (name.is_valid() & slots.is_valid()):
        return _form_page(request, member, draft, name, slots, status=422)
    try:
        slots_from(document)
    except Invalid as error:
        return _form_page(request, member, draft, name, slots, status=422, refused=error.sentence)
    return redirect("convention-publish", member.crew.slug)


@crew_page
def publish_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """What the draft changes and what that would do to the crew's sheets; a POST publishes it, or throws it away."""
    may_lead(member).require()
    if request.method != "POST":
        draft = draft_of(member)
        return render(request, "conventions/publish.html", {"member": member, "current": "convention", "draft": draft}
                      | (_preview(request, member, draft) if draft else {}))  # fmt: skip
    draft = convention_draft_for(member)
    wanted, seen = request.POST.get("do", ""), number_of(request.POST.get("seen_revision", ""))
    try:
        if wanted == "drop":
            drop_draft(member=member, draft=draft, seen_revision=seen)
            messages.success(request, "The draft is thrown away. The published convention is as it was.")
            return redirect("convention", member.crew.slug)
        if wanted == "renew":
            renew_draft(member=member, draft=draft, seen_revision=seen)
            messages.success(request, "The draft counts as compared with the newest version.")
            return redirect("convention-publish", member.crew.slug)
        version = publish(member=member, draft=draft, seen_revision=seen)
    except (Conflict, Invalid) as error:
        messages.error(request, error.sentence)
        return redirect("convention-publish", member.crew.slug)
    listed = recheck_progress(member, [version]).get(version.pk)
    if listed is None:
        messages.success(request, f"“{version}” is published, and every sheet keeps its meaning. New crates follow it.")
        return redirect("convention", member.crew.slug)
    look = f"{count_of(listed.total, 'sheet')} {'needs' if listed.total == 1 else 'need'} a look"
    messages.success(request, f"“{version}” is published. {look}; older crates keep their version until you move them.")
    return redirect("rechecks", member.crew.slug, version.pk)


@crew_page
def import_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Take a convention from a file: first what it would change, then into the draft."""
    may_lead(member).require()
    context: dict[str, Any] = {
        "member": member, "current": "convention", "draft": draft_of(member), "newest": current_version(member),
        "max_kib": MAX_BYTES // 1024,
    }  # fmt: skip
    if request.method != "POST":
        return render(request, "conventions/import.html", context)
    try:
        document = read_file(_content(request))
    except Invalid as error:
        return render(request, "conventions/import.html", {**context, "refused": error.sentence}, status=error.status)
    newest = current_version(member)
    if request.POST.get("do") != "take":
        before = newest.slots.all() if newest else []
        lines = change_lines(compare_slots(before, slots_from(document)))
        context |= {"document": document, "text": json.dumps(document, ensure_ascii=False), "lines": lines,
                    "seen_revision": context["draft"].revision if context["draft"] else 0}  # fmt: skip
        return render(request, "conventions/import.html", context)
    if newest is not None and request.POST.get("name") != "theirs":
        document = {**document, "name": newest.convention.name}
    try:
        save_draft(member=member, document=document, seen_revision=number_of(request.POST.get("seen_revision", "")))
    except Conflict as error:
        messages.error(request, error.sentence)
        return redirect("convention-draft", member.crew.slug)
    messages.success(request, "The file is the draft now. Nothing is published yet.")
    return redirect("convention-publish", member.crew.slug)


def _start(member: Membership, draft: ConventionDraft | None, source: str) -> dict[str, Any]:
    """The document that the form starts from: one of the starters, the draft, or the current version."""
    if source in STARTERS:
        return starter(source)
    if draft is not None:
        return dict(draft.document)
    current = current_version(member)
    return as_document(current) if current else starter(next(iter(STARTERS)))


def _slot_to_reword(request: HttpRequest, member: Membership, document: dict[str, Any]) -> int | None:
    """The place in the form of the slot that ``?reword=`` names by its number in the version ``?of=``; the draft may
    have given it another number. None for a slot that the draft has no more."""
    number = number_of(request.GET.get("reword", ""))
    if not number:
        return None
    version = convention_version_for(member, uuid_of(request.GET.get("of", "")))
    try:
        carried = compare_slots(version.slots.all(), slots_from(document)).carried()
        number = carried[number].number if number in carried else 0
    except Invalid:
        pass  # a draft that is not finished is searched by the number alone
    numbers = [str(slot.get("number")) for slot in document.get("slots", ())]
    return numbers.index(str(number)) + 1 if str(number) in numbers else None


def _form_page(
    request: HttpRequest,
    member: Membership,
    draft: ConventionDraft | None,
    name: ConventionNameForm,
    slots: Any,
    *,
    status: int = 200,
    refused: str = "",
    focus: int | None = None,
    reword: int | None = None,
) -> HttpResponse:
    if status == 409:
        draft = draft_of(member)
    if reword is not None:
        slots.forms[reword - 1].fields["guidance"].widget.attrs["autofocus"] = True
    lines = [SlotInForm(place, form) for place, form in enumerate(slots.forms, start=1)]
    context = {
        "member": member,
        "current": "convention",
        "draft": draft,
        "newest": current_version(member),
        "seen_revision": draft.revision if draft else 0,
        "name": name,
        "slots": slots,
        "slot_forms": lines,
        "wrong": sum(bool(form.errors) for form in slots.forms) if slots.is_bound else 0,
        "refused": refused,
        "conflict": status == 409,
        "focus": focus,
        "reword": reword,
        "gaps": [line.number for line in lines] != list(range(1, len(lines) + 1)),
        "may_add": len(slots.forms) < MAX_SLOTS,
        "may_remove": len(slots.forms) > MIN_SLOTS,
        "most": MAX_SLOTS,
        "least": MIN_SLOTS,
    }
    return render(request, "conventions/draft.html", context, status=status)


def _preview(request: HttpRequest, member: Membership, draft: ConventionDraft) -> dict[str, Any]:
    """What publishing would do; only a sentence where the draft is not ready."""
    newest, name = current_version(member), name_of(draft.document)
    context: dict[str, Any] = {"newest": newest, "outdated": draft.begun_from != newest, "name": name}
    try:
        slots = slots_from(draft.document)
        effect = effect_of_draft(draft)
    except DomainError as error:
        return {**context, "refused": error.sentence}
    before = newest_of_name(member, name)
    lines = change_lines(compare_slots(before.slots.all() if before else [], slots))
    return {
        **context,
        "before": before,
        "number": before.number + 1 if before else 1,
        "lines": lines,
        **effect_context(request, member, effect),
    }


def effect_context(request: HttpRequest, member: Membership, effect: Effect) -> dict[str, Any]:
    """What ``conventions/_effect.html`` is given."""
    shown = Paginator(effect.touched, SHEETS_A_PAGE).get_page(request.GET.get("page"))
    return {
        "effect": effect,
        "effect_lines": effect_lines(effect),
        "shown": shown,
        "places": newest_places(member, [line.sheet.track_id for line in shown]),
    }


def _content(request: HttpRequest) -> bytes:
    """The file that was chosen, or the text of one that was looked at before."""
    file = request.FILES.get("document")
    if file is not None:
        content: bytes = file.read(MAX_BYTES + 1)
        return content
    text = request.POST.get("text", "")
    if not text:
        raise Invalid("convention:file", detail="No file was chosen.")
    return text.encode("utf-8", "surrogatepass")


urlpatterns = [
    path("draft/", draft_page, name="convention-draft"),
    path("draft/publish/", publish_page, name="convention-publish"),
    path("import/", import_page, name="convention-import"),
]
