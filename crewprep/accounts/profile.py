"""One's own account: names, address, other sessions. No crew's business, so no crew's record has a row of it."""

from __future__ import annotations

from django.db import transaction
from django.db.models import F

from crewprep.crews.models import User
from crewprep.notices.addresses import write_address


def change_profile(*, user: User, display_name: str, email: str) -> bool:
    """The name that others see (empty: the one to sign in with) and an address (empty: none).

    Whether a mail with a link goes out: to a new address, as ``write_address`` says.
    """
    with transaction.atomic():
        User.objects.filter(pk=user.pk).update(display_name=display_name.strip()[:80])
        mailed = write_address(user=user, address=email)
    user.refresh_from_db()
    return mailed


def end_sessions(user: User) -> None:
    """End every session of the user, whatever browser has it; who asks for it may keep theirs by signing it anew."""
    User.objects.filter(pk=user.pk).update(sessions_round=F("sessions_round") + 1)
    user.refresh_from_db()
