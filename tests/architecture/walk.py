"""Calling routes as somebody and looking for leaks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.test import Client

from tests.architecture.routes import Route
from tests.architecture.world import CrewWorld, absent

METHODS = ("GET", "POST", "PUT", "DELETE")
NOT_HERE = {404, 405}


@dataclass(frozen=True)
class Answer:
    """What a caller can tell two answers apart by."""

    status: int
    content_type: str
    location: str
    body: str


def call(client: Client, method: str, route: Route, values: dict[str, Any], body: Any = None) -> Answer:
    """Call a route; what the caller wrote in the address is taken out of the answer again."""
    headers = {"If-Match": '"1"'}
    path = route.path(values)
    if body is None:
        is_api = route.pattern.startswith("api/")
        response = client.generic(
            method, path, b"{}" if is_api and method != "GET" else b"",
            content_type="application/json" if is_api else "application/x-www-form-urlencoded", headers=headers,
        )  # fmt: skip
    else:
        response = getattr(client, method.lower())(path, body, headers=headers)
    shown = response.getvalue().decode("utf-8", "replace")
    location = response.headers.get("Location", "")
    for name in route.arguments:
        shown, location = (text.replace(str(values[name]), f"<{name}>") for text in (shown, location))
    return Answer(response.status_code, response.headers.get("Content-Type", ""), location, shown)


def foreign_addresses(
    route: Route, ours: CrewWorld, theirs: CrewWorld
) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Ways to name another crew's thing, each with the same address naming nothing at all."""
    own, other = ours.values(), theirs.values()
    none = absent(own)
    yield "their crew, their things", other, none
    if route.ids:
        yield "their crew, our things", {**own, "crew": other["crew"]}, {**own, "crew": none["crew"]}
    for name in route.ids:
        yield f"our crew, their {name}", {**own, name: other[name]}, {**own, name: none[name]}
    if len(route.ids) > 1:
        yield "our crew, their things", {**other, "crew": own["crew"]}, {**none, "crew": own["crew"]}


def leaks(
    client: Client, routes: Iterable[Route], ours: CrewWorld, theirs: CrewWorld, methods: Sequence[str] = METHODS
) -> list[str]:
    """Everything by which a member of our crew could tell that another crew's thing is there."""
    found = []
    for route in routes:
        for how, foreign, nothing in foreign_addresses(route, ours, theirs):
            for method in methods:
                other = call(client, method, route, foreign)
                none = call(client, method, route, nothing)
                what = f"{method} {route.pattern} ({how})"
                if other.status not in NOT_HERE:
                    found.append(f"{what}: answered {other.status}")
                elif other != none:
                    found.append(f"{what}: {other.status} differs from the {none.status} of a missing thing")
                if theirs.word in other.body:
                    found.append(f"{what}: shows “{theirs.word}”")
    return found


def own_answers(client: Client, routes: Iterable[Route], ours: CrewWorld, method: str = "GET") -> dict[str, Answer]:
    """What our own things answer; whatever a call changes is undone."""
    answers = {}
    for route in routes:
        with transaction.atomic():
            answers[route.pattern] = call(client, method, route, ours.values())
            transaction.set_rollback(True)
    return answers
