"""Page routes."""

urlpatterns: list[object] = []
