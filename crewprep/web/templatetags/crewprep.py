"""``{% load crewprep %}``: slot badges, and numbers as people say them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any
from uuid import UUID

from django import template
from django.contrib.staticfiles.storage import staticfiles_storage
from django.forms import BoundField
from django.templatetags.static import static
from django.urls import reverse
from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from crewprep.common.static import SHEETS, joined_path, sheet_path
from crewprep.crews.models import Membership
from crewprep.notices.selectors import MOST_COUNTED, unread_count
from crewprep.onboarding.signing import NewcomerLine, newcomer_lines
from crewprep.web import progress_words, words
from crewprep.web.convention_words import rule_words
from crewprep.web.slots import SlotLike, badge

register = template.Library()

_NO_ID = UUID(int=0)

for _name in (
    "ago", "clock", "days_words", "duration", "key_words", "level", "minutes_words", "offset_words", "percent",
    "rate_words", "tempo",
):  # fmt: skip
    register.filter(_name, getattr(words, _name))
for _name in ("bars", "miss_words", "range_words", "share_of_words", "share_words"):
    register.filter(_name, getattr(progress_words, _name))

register.filter("rule_words", rule_words)


@register.simple_tag
def row_url(name: str, *args: object) -> str:
    """The address of a row of a list, as ``{% url %}`` gives it, where the last argument is an id.

    All but the id is asked for once: looking up four addresses a row took 12 % of the time of a page of fifty.
    """
    before, after = _around_id(name, *args[:-1])
    return f"{before}{args[-1]}{after}"


@lru_cache(maxsize=512)
def _around_id(name: str, *args: object) -> tuple[str, str]:
    before, _, after = reverse(name, args=[*args, _NO_ID]).partition(str(_NO_ID))
    return before, after


@register.simple_tag
def stylesheets(name: str) -> SafeString:
    """The links of a set of style sheets: one where the static files are collected, one a sheet where they are not."""
    joined = getattr(staticfiles_storage, "joins_sheets", False)
    paths = [joined_path(name)] if joined else [sheet_path(part) for part in SHEETS[name]]
    return format_html_join("\n  ", '<link rel="stylesheet" href="{}">', ((static(path),) for path in paths))


@register.inclusion_tag("components/_slot_badge.html")
def slot_badge(slot: SlotLike) -> dict[str, Any]:
    """A slot's number in its shape and colour, hidden from those who hear the page: its name must stand beside it."""
    return {"badge": badge(slot)}


@register.inclusion_tag("components/_slot.html")
def slot_name(slot: SlotLike) -> dict[str, Any]:
    """A slot's badge and name: "slot 4, First drop" for those who hear the page."""
    return {"slot": slot, "badge": badge(slot)}


@register.simple_tag
def unread_notices(member: Membership) -> str:
    """How many notices the member has not read in this crew, for the masthead; empty for none, ``99+`` for many."""
    unread = unread_count(member)
    return "" if not unread else "99+" if unread >= MOST_COUNTED else str(unread)


@register.simple_tag
def newcomers(member: Membership) -> list[NewcomerLine]:
    """How the crew's newcomers stand, for leads; none for others."""
    return newcomer_lines(member)


@register.filter
def count(number: int, noun: str) -> str:
    """``{{ 2|count:"track" }}`` is ``2 tracks``; an irregular plural follows a comma, ``"copy,copies"``."""
    one, _, many = noun.partition(",")
    return words.count_of(number, one, many)


@register.filter
def of(values: Mapping[Any, Any], name: Any) -> Any:
    """``{{ places|of:track.pk }}``: what a mapping holds under a name, or nothing."""
    return values.get(name)


@register.filter
def described(field: BoundField) -> SafeString:
    """A form field that names its help and its error to those who hear the page."""
    notes = [f"{field.id_for_label}-help"] if field.help_text else []
    attrs: dict[str, str | bool] = {}
    if field.errors:
        notes.append(f"{field.id_for_label}-error")
        attrs["aria-invalid"] = "true"
    if notes:
        attrs["aria-describedby"] = " ".join(notes)
    return field.as_widget(attrs=attrs)
