"""The URL map as a list of routes, each with its policy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver
from django.urls.converters import UUIDConverter

from crewprep.common.policy import Policy

THIRD_PARTY: dict[str, Policy] = {
    "admin/login/": Policy.PUBLIC,
    "admin/logout/": Policy.PUBLIC,
    "admin/": Policy.STAFF,
}
"""Routes that others wrote, by their beginning; the longest that fits counts."""


@dataclass(frozen=True)
class Route:
    """A route: its pattern as text, the arguments in its path, and what it asks of a caller."""

    pattern: str
    arguments: tuple[str, ...]
    ids: tuple[str, ...]
    policy: Policy | None

    def path(self, values: Mapping[str, Any]) -> str:
        """The address for values of the arguments; raises ``KeyError`` for an argument without a value."""
        path = "/" + self.pattern
        for argument in self.arguments:
            start, end = path.index("<"), path.index(">")
            path = path[:start] + str(values[argument]) + path[end + 1 :]
        return path


def routes(patterns: Iterable[URLPattern | URLResolver] | None = None) -> list[Route]:
    """Every route, by default of the whole map."""
    return list(_walk(get_resolver().url_patterns if patterns is None else patterns, "", {}))


def _walk(patterns: Iterable[URLPattern | URLResolver], before: str, converters: dict[str, Any]) -> Iterator[Route]:
    for entry in patterns:
        text = before + str(entry.pattern).removeprefix("^")
        known = {**converters, **entry.pattern.converters}
        if isinstance(entry, URLResolver):
            yield from _walk(entry.url_patterns, text, known)
            continue
        ids = tuple(name for name, converter in known.items() if isinstance(converter, UUIDConverter))
        yield Route(text, tuple(known), ids, _policy(entry.callback, text))


def _policy(callback: Any, pattern: str) -> Policy | None:
    for holder in (callback, getattr(callback, "cls", None), getattr(callback, "view_class", None)):
        policy = getattr(holder, "policy", None)
        if isinstance(policy, Policy):
            return policy
    fitting = [start for start in THIRD_PARTY if pattern.startswith(start)]
    return THIRD_PARTY[max(fitting, key=len)] if fitting else None


def without_policy(found: Iterable[Route]) -> list[str]:
    """Routes that say nothing of whom they let in, and routes in a crew that let in more than its members."""
    return [
        route.pattern
        for route in found
        if route.policy is None or ("crew" in route.arguments and route.policy != Policy.MEMBER)
    ]


def crew_routes() -> list[Route]:
    """The routes inside a crew."""
    return [route for route in routes() if route.policy == Policy.MEMBER]
