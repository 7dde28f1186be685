"""Every error of the API as a problem document (RFC 9457), never as HTML.

``type`` is ``about:blank`` and ``title`` the status in words, as the RFC has it for problems that are told apart by
other means: here by ``code``, which is stable, and by ``detail``, one sentence with a next step. ``errors`` lists what
is wrong with single fields, each by its JSON pointer (RFC 6901) into the body or by the name of the parameter.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.signals import got_request_exception
from django.db import OperationalError
from django.http import Http404
from rest_framework import exceptions
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.common.errors import DomainError
from crewprep.common.messages import sentence_for

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
RETRY_BUSY_S = 5


class RevisionMissing(DomainError):
    """A conditional request without its condition (RFC 6585)."""

    status = 428


class OtherRevision(DomainError):
    """The condition does not hold: the thing has another revision now (RFC 9110, 13.1.1)."""

    status = 412


class TooLarge(DomainError):
    """A body beyond the limit."""

    status = 413


class NotSignedIn(DomainError):
    """Who is asking is not known."""

    status = 401


class LockedOut(DomainError):
    """Too many guesses."""

    status = 429


def problem_json(error: Exception, context: dict[str, Any]) -> Response:
    """Django REST framework's hook for whatever a view raises."""
    request: Request = context["request"]
    view = context.get("view")
    status, code, values, headers = _describe(error, request, view)
    if status == HTTPStatus.INTERNAL_SERVER_ERROR:
        log.error("%s %s broke.", request.method, request.path, exc_info=error)
        got_request_exception.send(sender=type(view), request=request._request)
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "code": code,
        "detail": sentence_for(code, **values),
        "instance": request.path,
    }
    if isinstance(error, exceptions.ValidationError):
        body["errors"] = list(_field_errors(error.detail))
    # Whatever form was asked for, an error has this one.
    request.accepted_renderer, request.accepted_media_type = JSONRenderer(), JSONRenderer.media_type
    return Response(body, status=status, headers=headers, content_type=MEDIA_TYPE)


def _describe(error: Exception, request: Request, view: Any) -> tuple[int, str, dict[str, Any], dict[str, str]]:
    """Status, code, the values of its sentence, and extra headers."""
    headers = {}
    if getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = error.auth_header  # type: ignore[attr-defined]  # set by the framework
    match error:
        case DomainError():
            if error.status == HTTPStatus.UNAUTHORIZED:
                headers["WWW-Authenticate"] = "Token"
            return error.status, error.code, error.values, headers
        case exceptions.ValidationError():
            return 422, "invalid", {"detail": _first(error.detail)}, headers
        case exceptions.ParseError():
            return 400, "malformed", {"detail": str(error.detail)}, headers
        case exceptions.AuthenticationFailed():
            return 401, "token:unknown", {}, headers
        case exceptions.NotAuthenticated():
            return 401, "not-signed-in", {}, headers
        case exceptions.PermissionDenied() if str(error.detail).startswith("CSRF"):
            return 403, "csrf", {}, headers
        case exceptions.MethodNotAllowed():
            headers["Allow"] = ", ".join(view.allowed_methods) if view else ""
            return 405, "method", {"method": request.method}, headers
        case exceptions.NotAcceptable():
            available = ", ".join(renderer.media_type or "" for renderer in view.get_renderers()) if view else ""
            return 406, "request:not-acceptable", {"available": available}, headers
        case exceptions.UnsupportedMediaType():
            accepted = ", ".join(parser.media_type or "" for parser in view.get_parsers()) if view else ""
            media_type = (request.content_type or "").partition(";")[0][:60] or "a body without a type"
            return 415, "request:media-type", {"media_type": media_type, "accepted": accepted}, headers
        case exceptions.Throttled():
            seconds = int(getattr(error, "wait", None) or 1) + 1
            headers["Retry-After"] = str(seconds)
            return 429, "throttled", {"seconds": seconds}, headers
        case exceptions.NotFound() | Http404():
            return 404, "not-found", {}, headers
        case exceptions.PermissionDenied() | PermissionDenied():
            return 403, "not-allowed", {}, headers
        case RequestDataTooBig():
            return 413, "request:too-large", {"limit": "the limit"}, headers
        case SuspiciousOperation():
            return 400, "malformed", {"detail": "it holds something that is not allowed."}, headers
        case OperationalError() if _is_busy(error):
            headers["Retry-After"] = str(RETRY_BUSY_S)
            return 503, "service:busy", {}, headers
    return 500, "service:broken", {}, headers


def _is_busy(error: OperationalError) -> bool:
    """Whether the database is there but taken: SQLite's lock, PostgreSQL's lock timeout or no free connection."""
    text = str(error).lower()
    return "locked" in text or "lock timeout" in text or "too many" in text


def _field_errors(detail: Any, pointer: str = "") -> Iterator[dict[str, str]]:
    """Flatten the framework's nested lists and dictionaries of messages."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            step = "" if name == "non_field_errors" else f"/{_escape(str(name))}"
            yield from _field_errors(inner, pointer + step)
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, dict | list)
            yield from _field_errors(inner, f"{pointer}/{index}" if nested else pointer)
    else:
        yield {"pointer": pointer, "detail": str(detail)}


def _escape(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")


def _first(detail: Any) -> str:
    """The first message with its field, for the sentence."""
    for error in _field_errors(detail):
        return f"{error['pointer'].lstrip('/') or 'the body'}: {error['detail']}"
    return "the body"
