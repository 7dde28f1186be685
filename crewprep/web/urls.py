"""Page routes; each module of ``crewprep.web`` is a screen."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
