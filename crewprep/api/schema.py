"""What the OpenAPI document says of every operation alike, and the address it is served at.

The document is under version control as ``openapi.yml``; after a change of the API run::

    python manage.py spectacular --file crewprep/api/openapi.yml --validate --fail-on-warn
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from django.http import HttpResponse
from drf_spectacular.views import SpectacularSwaggerSplitView
from rest_framework.permissions import AllowAny
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from crewprep.api.base import Endpoint
from crewprep.api.errors import MEDIA_TYPE
from crewprep.common.policy import Policy

DOCUMENT = Path(__file__).with_name("openapi.yml")

_UNSAFE = {"post", "put", "patch", "delete"}
_MEANINGS = {
    "400": "The body cannot be read.",
    "401": "Nobody is signed in, or the token is not known.",
    "403": "The member may not do this; the sentence says why.",
    "404": "There is no such thing, or it is another crew's.",
    "409": "Somebody else was there first, or the thing has moved on.",
    "412": "The revision named in If-Match is no longer the current one.",
    "415": "The body has a type that is not taken.",
    "422": "What was sent cannot be used; nothing was changed.",
    "428": "If-Match is missing.",
    "429": "Too many requests.",
}

PROBLEM = {
    "type": "object",
    "description": "A problem document as in RFC 9457.",
    "required": ["type", "title", "status", "code", "detail", "instance"],
    "additionalProperties": False,
    "properties": {
        "type": {"type": "string", "format": "uri-reference", "description": "about:blank: see code."},
        "title": {"type": "string", "description": "The status in words."},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "code": {"type": "string", "description": "Stable name of the reason, such as proposal:own."},
        "detail": {"type": "string", "description": "One sentence with a next step."},
        "instance": {"type": "string", "format": "uri-reference"},
        "errors": {
            "type": "array",
            "description": "What is wrong with single fields.",
            "items": {
                "type": "object",
                "required": ["pointer", "detail"],
                "additionalProperties": False,
                "properties": {
                    "pointer": {"type": "string", "description": "JSON pointer (RFC 6901) into the body."},
                    "detail": {"type": "string"},
                },
            },
        },
    },
}


def describe_problems(result: dict[str, Any], **kwargs: Any) -> dict[str, Any]:
    """Add to each operation the problems that it may answer with (a hook of drf-spectacular)."""
    result["components"].setdefault("schemas", {})["Problem"] = PROBLEM
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for path, operations in result["paths"].items():
        for method, operation in operations.items():
            for status in _statuses(path, method, operation):
                operation["responses"].setdefault(status, {"description": _MEANINGS[status], "content": content})
            operation["responses"]["default"] = {"description": "Any other problem.", "content": content}
            operation["responses"] = dict(sorted(operation["responses"].items()))
    return result


def _statuses(path: str, method: str, operation: dict[str, Any]) -> set[str]:
    statuses = set()
    parameters = operation.get("parameters", [])
    if any(scheme for scheme in operation.get("security", [])):
        statuses.add("401")
    if "{" in path:
        statuses.add("404")
    if "requestBody" in operation:
        statuses |= {"400", "415", "422"}
    if any(parameter["in"] == "query" for parameter in parameters):
        statuses.add("422")
    if method in _UNSAFE and "{crew}" in path:
        statuses |= {"403", "409"}
    if any(parameter["name"] == "If-Match" for parameter in parameters):
        statuses |= {"412", "428"}
    if path.endswith("/tokens/"):
        statuses |= {"401", "409", "429"}
    return statuses


class _YamlRenderer(BaseRenderer):
    media_type = "application/vnd.oai.openapi"
    format = "yaml"
    charset = "utf-8"


class Document(Endpoint):
    """The OpenAPI document of this API."""

    policy = Policy.PUBLIC
    authentication_classes = []
    permission_classes = [AllowAny]
    renderer_classes = [_YamlRenderer]
    schema = None

    def get(self, request: Request) -> HttpResponse:
        """The file under version control, which a test holds to the code."""
        return HttpResponse(_document(), content_type=f"{_YamlRenderer.media_type}; charset=utf-8")


@cache
def _document() -> bytes:
    return DOCUMENT.read_bytes()


class Docs(SpectacularSwaggerSplitView):
    """A page to read and try the API, from bundled files and without inline script."""

    policy = Policy.PUBLIC
    authentication_classes = []
    permission_classes = [AllowAny]
    http_method_names = ["get", "head"]
    template_name = "api/docs.html"
    url_name = "api:schema"
