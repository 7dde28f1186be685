"""API routes: version 1, a page to read about it, and problem documents for every other address."""

from __future__ import annotations

from django.urls import include, path, re_path

from crewprep.api.base import NothingHere
from crewprep.api.schema import Docs

urlpatterns = [
    path("v1/", include("crewprep.api.v1.urls")),
    path("docs/", Docs.as_view(), name="api-docs"),
    re_path(r"", NothingHere.as_view()),
]
