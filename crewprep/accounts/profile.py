"""One's own account: names, address, other sessions. No crew's business, so no crew's record has a row of it."""

from __future__ import annotations

from django.db.models import F

from crewprep.crews.models import User


def change_profile(*, user: User, display_name: str, email: str) -> None:
    """The name that others see (empty: the one to sign in with) and an address (empty: none)."""
    User.objects.filter(pk=user.pk).update(display_name=display_name.strip()[:80], email=email.strip()[:254])
    user.refresh_from_db()


def end_sessions(user: User) -> None:
    """End every session of the user, whatever browser has it; who asks for it may keep theirs by signing it anew."""
    User.objects.filter(pk=user.pk).update(sessions_round=F("sessions_round") + 1)
    user.refresh_from_db()
