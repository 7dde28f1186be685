"""The headers that every answer carries, and smaller pages.

``SecurityHeadersMiddleware`` is the setting-free twin of Django 6's content security policy middleware; to be replaced
by it on upgrade.
"""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.middleware.gzip import GZipMiddleware

CONTENT_SECURITY_POLICY = (
    "default-src 'self'; img-src 'self' data:; media-src 'self' blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)


class SecurityHeadersMiddleware:
    """Adds the content security policy and, on pages behind the sign-in, ``no-store``."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
        response.headers.setdefault("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
        response.headers.setdefault("Cache-Control", "private, no-store")
        return response


class SmallerPagesMiddleware(GZipMiddleware):
    """Compresses pages, and nothing else: sound is asked for in ranges of its own bytes.

    A page holds secrets (its form token, masked anew each time); Django's middleware adds a random number of bytes to
    each answer, so that its length tells nothing (Heal the Breach, 2022).
    """

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        if response.streaming or not response.headers.get("Content-Type", "").startswith("text/html"):
            return response
        return super().process_response(request, response)
