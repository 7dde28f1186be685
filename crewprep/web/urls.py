"""Page routes; each module of ``crewprep.web`` is a screen."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from crewprep.web import (
    account,
    checks,
    claims,
    convention_draft,
    conventions,
    crate_move,
    crates,
    crew,
    exports,
    finding,
    grid,
    help,
    home,
    joining,
    keeping,
    library,
    nights,
    notices,
    printing,
    rechecks,
    review,
    splitting,
    tracks,
)

urlpatterns: list[URLPattern | URLResolver] = [
    *account.urlpatterns,
    *help.urlpatterns,
    *home.urlpatterns,
    *joining.urlpatterns,
    *nights.public_urlpatterns,
    *notices.public_urlpatterns,
    path("c/<slug:crew>/convention/", include(conventions.urlpatterns)),
    path("c/<slug:crew>/convention/", include(convention_draft.urlpatterns)),
    path("c/<slug:crew>/convention/", include(rechecks.urlpatterns)),
    path("c/<slug:crew>/crates/", include(crates.urlpatterns)),
    path("c/<slug:crew>/nights/", include(nights.urlpatterns)),
    path("c/<slug:crew>/crates/", include(splitting.urlpatterns)),
    path("c/<slug:crew>/crates/", include(crate_move.urlpatterns)),
    path("c/<slug:crew>/", include(checks.urlpatterns)),
    path("c/<slug:crew>/", include(crew.urlpatterns)),
    path("c/<slug:crew>/", include(claims.urlpatterns)),
    path("c/<slug:crew>/", include(finding.urlpatterns)),
    path("c/<slug:crew>/notices/", include(notices.urlpatterns)),
    path("c/<slug:crew>/", include(review.urlpatterns)),
    path("c/<slug:crew>/", include(tracks.urlpatterns)),
    path("c/<slug:crew>/", include(grid.urlpatterns)),
    path("c/<slug:crew>/", include(keeping.urlpatterns)),
    path("c/<slug:crew>/", include(library.urlpatterns)),
    path("c/<slug:crew>/", include(exports.urlpatterns)),
    path("c/<slug:crew>/", include(printing.urlpatterns)),
]
