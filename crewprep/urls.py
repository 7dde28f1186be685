"""The URL map: pages, API, admin."""

from __future__ import annotations

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("admin/", admin.site.urls),
    path("api/", include("crewprep.api.urls")),
    path("", include("crewprep.web.urls")),
]
