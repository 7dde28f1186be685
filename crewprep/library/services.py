"""Keeping searches under a name."""

from __future__ import annotations

from django.db import IntegrityError, transaction

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crews.models import Membership, Role
from crewprep.library.models import SavedSearch

MOST_SEARCHES = 50


def save_search(*, member: Membership, name: str, query: str, shared: bool) -> SavedSearch:
    """Keep a search (the query of its address) for oneself, or for the whole crew.

    Raises ``Invalid`` without a name or with too many kept already, ``Conflict`` where the member has one of that name.
    """
    name = name.strip()[:60]
    if not name:
        raise Invalid("search:name-missing")
    if len(query) > 1000:
        raise Invalid("search:too-long")
    try:
        with transaction.atomic():
            if SavedSearch.objects.filter(crew=member.crew, by=member.user).count() >= MOST_SEARCHES:
                raise Invalid("search:too-many", limit=MOST_SEARCHES)
            kept = SavedSearch.objects.create(crew=member.crew, by=member.user, name=name, query=query, shared=shared)
            record(actor=member.user, verb="search saved", subject=kept, name=name, shared=shared)
    except IntegrityError as error:
        raise Conflict("search:name-taken", name=name) from error
    return kept


def drop_search(*, member: Membership, search: SavedSearch) -> None:
    """Forget a kept search: whoever kept it, or a lead. Raises ``Refused``."""
    if search.by_id != member.user_id and member.role != Role.LEAD:
        raise Refused("search:not-yours")
    with transaction.atomic():
        record(actor=member.user, verb="search dropped", subject=search, name=search.name)
        search.delete()
