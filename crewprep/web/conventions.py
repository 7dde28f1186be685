"""The crew's convention: read it, and for leads, publish the next version."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.text import slugify
from django.views.decorators.http import require_GET

from analysis_worker.core.convention import COLOURS, MAX_SLOTS, MIN_SLOTS, SHAPES
from crewprep.common.errors import Invalid
from crewprep.conventions.selectors import as_document, convention_version_for, current_version, versions_of
from crewprep.conventions.services import STARTERS, publish_convention, starter
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_lead
from crewprep.web.doors import crew_page
from crewprep.web.forms import ConventionNameForm, SlotForm, SlotFormSet

PREFIX = "slots"


@crew_page
@require_GET
def convention_page(request: HttpRequest, member: Membership, version_id: UUID | None = None) -> HttpResponseBase:
    """The slots of one version, the current one unless another is named, and all versions."""
    version = convention_version_for(member, version_id) if version_id else current_version(member)
    return render(
        request,
        "conventions/convention.html",
        {
            "member": member,
            "current": "convention",
            "version": version,
            "versions": versions_of(member),
            "newest": current_version(member),
            "starters": STARTERS,
            "may_lead": may_lead(member),
        },
    )


@crew_page
@require_GET
def convention_document(request: HttpRequest, member: Membership, version_id: UUID) -> HttpResponseBase:
    """The convention as a file to keep or to share."""
    version = convention_version_for(member, version_id)
    name = slugify(version.convention.name) or "convention"
    return JsonResponse(
        as_document(version),
        json_dumps_params={"indent": 2, "ensure_ascii": False},
        headers={"Content-Disposition": f'attachment; filename="{name}-v{version.number}.json"'},
    )


@crew_page
def publish_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """Write a convention, slot by slot, and publish it.

    The buttons that add, move and take away a slot send the whole form, so it works without scripts and loses nothing.
    """
    may_lead(member).require()
    if request.method != "POST":
        document = _start(member, request.GET.get("from", ""))
        return _form_page(
            request, member, ConventionNameForm(initial=document), SlotFormSet(initial=document["slots"], prefix=PREFIX)
        )
    name, slots = ConventionNameForm(request.POST), SlotFormSet(request.POST, prefix=PREFIX)
    wanted, _, which = request.POST.get("do", "").partition("-")
    if wanted != "publish":
        return _rearranged(request, member, wanted, int(which) if which.isdecimal() else 0)
    if not (name.is_valid() & slots.is_valid()):
        return _form_page(request, member, name, slots, status=422)
    document = {
        "name": name.cleaned_data["name"],
        "slots": [{"number": number, **form.cleaned_data} for number, form in enumerate(slots.forms, start=1)],
    }
    try:
        version = publish_convention(member=member, document=document)
    except Invalid as error:
        return _form_page(request, member, name, slots, status=error.status, refused=error.sentence)
    messages.success(request, f"“{version}” is published. New crates follow it; older crates keep theirs.")
    return redirect("convention", member.crew.slug)


def _start(member: Membership, source: str) -> dict[str, Any]:
    """The document that the form starts from: the current version, or one of the starters."""
    current = current_version(member)
    if source in STARTERS:
        return starter(source)
    return as_document(current) if current else starter(next(iter(STARTERS)))


def _rearranged(request: HttpRequest, member: Membership, wanted: str, number: int) -> HttpResponseBase:
    """The form again with one slot more, less or elsewhere; what was typed stays as it was typed."""
    typed = _typed(request)
    focus = None
    if wanted == "add" and len(typed) < MAX_SLOTS:
        typed.append(_new_slot(len(typed)))
        focus = len(typed)
    elif wanted == "remove" and len(typed) > MIN_SLOTS and 1 <= number <= len(typed):
        del typed[number - 1]
    elif wanted == "up" and 2 <= number <= len(typed):
        typed[number - 2 : number] = reversed(typed[number - 2 : number])
        focus = number - 1
    return _form_page(
        request,
        member,
        ConventionNameForm(initial={"name": request.POST.get("name", "")}),
        SlotFormSet(initial=typed, prefix=PREFIX),
        focus=focus,
    )


def _typed(request: HttpRequest) -> list[dict[str, str]]:
    total = request.POST.get(f"{PREFIX}-TOTAL_FORMS", "0")
    count = min(int(total), MAX_SLOTS) if total.isdecimal() else 0
    return [
        {name: request.POST.get(f"{PREFIX}-{index}-{name}", "") for name in SlotForm.base_fields}
        for index in range(count)
    ]


def _new_slot(index: int) -> dict[str, str]:
    return {
        "name": "", "function": "free", "which": "first", "kind": "point", "lead_bars": "0", "snap_beats": "0.25",
        "colour": COLOURS[index % len(COLOURS)], "shape": SHAPES[index % len(SHAPES)],
    }  # fmt: skip


def _form_page(
    request: HttpRequest,
    member: Membership,
    name: ConventionNameForm,
    slots: Any,
    *,
    status: int = 200,
    refused: str = "",
    focus: int | None = None,
) -> HttpResponseBase:
    return render(
        request,
        "conventions/publish.html",
        {
            "member": member,
            "current": "convention",
            "name": name,
            "slots": slots,
            "slot_forms": [_SlotInForm(number, form) for number, form in enumerate(slots.forms, start=1)],
            "wrong": sum(bool(form.errors) for form in slots.forms) if slots.is_bound else 0,
            "refused": refused,
            "focus": focus,
            "may_add": len(slots.forms) < MAX_SLOTS,
            "may_remove": len(slots.forms) > MIN_SLOTS,
            "most": MAX_SLOTS,
            "least": MIN_SLOTS,
            "starters": STARTERS,
        },
        status=status,
    )


class _SlotInForm:
    """A slot as it stands in the form, for its badge and its summary line."""

    def __init__(self, number: int, form: SlotForm) -> None:
        self.number = number
        self.form = form

    def _value(self, name: str) -> str:
        value = self.form[name].value()
        return "" if value is None else str(value)

    @property
    def name(self) -> str:
        """What is typed, or that nothing is."""
        return self._value("name") or "without a name"

    @property
    def colour(self) -> str:
        """The chosen colour."""
        return self._value("colour")

    @property
    def shape(self) -> str:
        """The chosen shape."""
        return self._value("shape")

    @property
    def summary(self) -> str:
        """``loop of 4 bars, last exit loop``."""
        bars = self._value("loop_bars")
        kind = f"loop of {bars or '?'} bars" if self._value("kind") == "loop" else "point"
        return f"{kind}, {self._value('which')} {self._value('function')}"


urlpatterns = [
    path("", convention_page, name="convention"),
    path("publish/", publish_page, name="convention-publish"),
    path("<uuid:version_id>/", convention_page, name="convention-version"),
    path("<uuid:version_id>/document.json", convention_document, name="convention-document"),
]
