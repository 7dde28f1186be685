"""A member who knows no address: only follows the links of a page, and fills in its forms."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urldefrag, urljoin

from django.test import Client


@dataclass
class Form:
    """Where a form goes, what stands in its fields, and its buttons: the word on each, its name and value."""

    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)
    buttons: list[tuple[str, str, str]] = field(default_factory=list)


class Page(HTMLParser):
    """The links and forms of a page; fields that name their form by its id are left out."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[tuple[str, str]] = []
        self.forms: list[Form] = []
        self._in_form = False
        self._catching: list[tuple[str, dict[str, str]]] = []
        self._words: list[str] = []
        self._select = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        name = given.get("name", "")
        if tag == "form":
            self._in_form = True
            self.forms.append(Form(given.get("action", ""), given.get("method", "get")))
        elif tag in {"a", "button"} or (tag == "textarea" and self._in_form):
            self._catching.append((tag, given))
            self._words.append("")
        elif self._in_form and name and tag == "input" and "form" not in given:
            if given.get("type") == "file":
                self.forms[-1].files.append(name)
            elif given.get("type") not in {"checkbox", "radio"} or "checked" in given:
                self.forms[-1].values[name] = given.get("value", "on" if given.get("type") == "checkbox" else "")
        elif tag == "select" and self._in_form:
            self._select = name
        elif tag == "option" and self._select and ("selected" in given or self._select not in self.forms[-1].values):
            self.forms[-1].values[self._select] = given.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._in_form = False
        elif tag == "select":
            self._select = ""
        elif self._catching and self._catching[-1][0] == tag:
            (_, given), words = self._catching.pop(), " ".join(self._words.pop().split())
            if tag == "a":
                self.links.append((words, given.get("href", "")))
            elif tag == "textarea":
                self.forms[-1].values[given.get("name", "")] = words
            elif self._in_form:
                self.forms[-1].buttons.append((words, given.get("name", ""), given.get("value", "")))

    def handle_data(self, data: str) -> None:
        self._words = [words + data for words in self._words]


class Follower:
    """One member's way through the pages."""

    def __init__(self, client: Client, begin: str = "/") -> None:
        self.client, self.url, self.text = client, "", ""
        self._show(client.get(begin, follow=True), begin)

    def follow(self, words: str) -> None:
        """Follow the first link that says this."""
        href = next((href for said, href in Page(self.text).links if words in said), None)
        assert href is not None, f"{self.url} has no link that says “{words}”"
        target = urldefrag(urljoin(self.url, href)).url
        self._show(self.client.get(target, follow=True), target)

    def send(self, words: str, **typed: Any) -> None:
        """Press the first button that says this, with some fields filled in otherwise."""
        form, (_, name, value) = next(
            ((form, button) for form in Page(self.text).forms for button in form.buttons if words in button[0]),
            (None, ("", "", "")),
        )
        assert form is not None, f"{self.url} has no button that says “{words}”"
        assert set(typed) <= {*form.values, *form.files}, f"{self.url} has no such fields: {sorted(typed)}"
        data = {**form.values, **typed, **({name: value} if name else {})}
        target = urldefrag(urljoin(self.url, form.action)).url
        sent = self.client.post if form.method.lower() == "post" else self.client.get
        self._show(sent(target, data, follow=True), target)

    def _show(self, answer: Any, target: str) -> None:
        self.url = answer.redirect_chain[-1][0] if answer.redirect_chain else target
        self.text = answer.content.decode()
        assert answer.status_code == 200, f"{self.url} answered {answer.status_code}"
