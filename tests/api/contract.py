"""Holds answers to the OpenAPI document: each must be one that the document knows, with a body of its schema."""

from __future__ import annotations

import json
import re
from functools import cache
from typing import Any

import yaml
from django.http import HttpResponseBase
from django.test import Client
from jsonschema import Draft202012Validator, FormatChecker
from referencing import Registry
from referencing.jsonschema import DRAFT202012

from crewprep.api.schema import DOCUMENT

_ROOT = "urn:openapi"


@cache
def document() -> dict[str, Any]:
    """The document under version control."""
    loaded: dict[str, Any] = yaml.safe_load(DOCUMENT.read_text(encoding="utf-8"))
    return loaded


@cache
def _registry() -> Registry[Any]:
    return Registry().with_resource(_ROOT, DRAFT202012.create_resource(document()))


@cache
def _routes() -> list[tuple[re.Pattern[str], str]]:
    return [
        (re.compile("^" + re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path)) + "$"), path) for path in document()["paths"]
    ]


def operation_of(method: str, path: str) -> tuple[str, dict[str, Any]] | None:
    """The JSON pointer and the description of an operation; None where the document has none."""
    for pattern, template in _routes():
        if pattern.match(path):
            operation = document()["paths"][template].get(method.lower())
            if operation is not None:
                return f"/paths/{_escape(template)}/{method.lower()}", operation
    return None


def _escape(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1").replace("{", "%7B").replace("}", "%7D")


def check(method: str, path: str, response: HttpResponseBase) -> None:
    """Raise ``AssertionError`` where an answer is not as the document says; problems need no operation."""
    media_type = response.headers.get("Content-Type", "").partition(";")[0]
    found = operation_of(method, path.partition("?")[0])
    if found is None:
        assert response.status_code >= 400, f"{method} {path} answers, but the document does not know it"
        schema = "/components/schemas/Problem"
        assert media_type == "application/problem+json", f"{method} {path}: {media_type}"
    else:
        pointer, operation = found
        status = str(response.status_code) if str(response.status_code) in operation["responses"] else "default"
        assert status != "default" or response.status_code >= 400, f"{method} {path}: {response.status_code} unknown"
        content = operation["responses"][status].get("content", {})
        if not content:
            assert not getattr(response, "content", b""), f"{method} {path}: a body where none is described"
            return
        assert media_type in content, f"{method} {path} answers {media_type}, described are {list(content)}"
        if not media_type.endswith("json"):
            return
        schema = f"{pointer}/responses/{status}/content/{_escape(media_type)}/schema"
    validator = Draft202012Validator(
        {"$ref": f"{_ROOT}#{schema}"}, registry=_registry(), format_checker=FormatChecker()
    )
    errors = [
        f"{'/'.join(map(str, error.absolute_path))}: {error.message[:300]}"
        for error in validator.iter_errors(json.loads(response.content))  # type: ignore[attr-defined]  # missing in its stubs
    ]
    assert not errors, f"{method} {path} {response.status_code}: {errors}"


class Caller:
    """A program that uses the API; every answer is held to the document."""

    def __init__(self, token: str = "", client: Client | None = None) -> None:
        self.client = client or Client()
        self.headers = {"Authorization": f"Token {token}"} if token else {}

    def call(self, method: str, path: str, body: Any = None, *, revision: int | None = None, **headers: str) -> Any:
        """Send JSON (or, for a dictionary with a file, a form) and return the checked response."""
        sent = {**self.headers, **{name.replace("_", "-"): value for name, value in headers.items()}}
        if revision is not None:
            sent["If-Match"] = f'"{revision}"'
        options: dict[str, Any] = {}
        if body is not None:
            options = {"data": json.dumps(body), "content_type": "application/json"}
        response = self.client.generic(method, path, headers=sent, **options)
        check(method, path, response)
        return response

    def upload(self, path: str, **form: Any) -> Any:
        """Send a multipart form."""
        response = self.client.post(path, form, headers=self.headers)
        check("POST", path, response)
        return response

    def get(self, path: str, **headers: Any) -> Any:
        """GET."""
        return self.call("GET", path, **headers)

    def post(self, path: str, body: Any = None, **options: Any) -> Any:
        """POST."""
        return self.call("POST", path, body, **options)

    def put(self, path: str, body: Any = None, **options: Any) -> Any:
        """PUT."""
        return self.call("PUT", path, body, **options)
