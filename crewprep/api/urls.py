"""API routes."""

urlpatterns: list[object] = []
