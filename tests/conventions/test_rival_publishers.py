"""Two leads publish at the same moment: one wins, the other is told; nothing is published twice.

As with verdicts (``tests/review/test_rival_verdicts.py``), rivals run side by side on PostgreSQL and queue on SQLite.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import connection

from crewprep.conventions import services
from crewprep.conventions.models import ConventionDraft, ConventionVersion
from crewprep.conventions.selectors import current_version
from crewprep.conventions.services import publish_draft, save_draft
from crewprep.crews.models import Membership, Role
from crewprep.review.services import approve_proposal
from crewprep.sheets.models import Recheck, SheetVersion
from crewprep.sheets.publishing import publish, publish_document
from tests import factories
from tests.factories.music import convention_document
from tests.review.test_rival_verdicts import race, rounds

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def leads() -> tuple[Membership, Membership]:
    lead = factories.crew_with()
    factories.convention(lead)
    return lead, factories.member_of(lead.crew, Role.LEAD)


def documents(number: int) -> tuple[dict, dict]:
    """Two documents that differ from each other and from those of the round before."""
    return tuple(convention_document(slots=slots) for slots in ((5, 6) if number % 2 else (7, 8)))  # type: ignore[return-value]  # two


def test_of_two_who_publish_a_draft_one_wins(leads: tuple[Membership, Membership]) -> None:
    lead, second = leads
    for number in range(rounds()):
        save_draft(member=lead, document=documents(number)[0], seen_revision=0)

        def runner(member: Membership) -> Callable[[], object]:
            draft = ConventionDraft.objects.get(crew=member.crew)
            return lambda: publish(member=member, draft=draft, seen_revision=1)

        assert race(runner(lead), runner(second)) == {"won": 1, "conflict": 1}
        assert ConventionVersion.objects.count() == number + 2
        assert not ConventionDraft.objects.exists()


def test_of_two_who_publish_documents_one_wins(leads: tuple[Membership, Membership]) -> None:
    for number in range(rounds()):
        follows = current_version(leads[0])
        ours, theirs = documents(number)
        outcomes = race(
            lambda ours=ours, follows=follows: publish_document(member=leads[0], document=ours, follows=follows),  # type: ignore[misc]  # defaults bind the loop
            lambda theirs=theirs, follows=follows: publish_document(member=leads[1], document=theirs, follows=follows),  # type: ignore[misc]  # likewise
        )
        assert outcomes == {"won": 1, "conflict": 1}
    numbers = list(ConventionVersion.objects.order_by("number").values_list("number", flat=True))
    assert numbers == list(range(1, rounds() + 2))
    assert ConventionVersion.objects.filter(followed_by=None).count() == 1


def test_of_saving_and_publishing_one_wins(leads: tuple[Membership, Membership]) -> None:
    lead, second = leads
    for number in range(max(20, rounds() // 4)):
        ours, theirs = documents(number)
        draft = save_draft(member=lead, document=ours, seen_revision=0)
        outcomes = race(
            lambda draft=draft: publish_draft(member=second, draft=draft, seen_revision=1),  # type: ignore[misc]  # defaults bind the loop
            lambda theirs=theirs: save_draft(member=lead, document=theirs, seen_revision=1),  # type: ignore[misc]  # likewise
        )
        assert outcomes == {"won": 1, "conflict": 1}
        ConventionDraft.objects.all().delete()


@pytest.mark.server_only
def test_control_without_the_line_of_versions_both_win(
    leads: tuple[Membership, Membership], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a version does not say what it follows, read-check-save lets both publish."""
    from django.db import models

    create = models.QuerySet.create

    def loose(self: models.QuerySet, **values: object) -> object:
        if self.model is ConventionVersion:
            values["follows"] = None
        return create(self, **values)

    with connection.schema_editor() as editor:
        first = next(one for one in ConventionVersion._meta.constraints if "first" in one.name)
        editor.remove_constraint(ConventionVersion, first)
    try:
        monkeypatch.setattr(services, "current_version", lambda member: None)
        monkeypatch.setattr(models.QuerySet, "create", loose)
        both = 0
        for number in range(40):
            ours, theirs = documents(number)
            ours["name"], theirs["name"] = f"a{number}", f"b{number}"
            both += (
                race(
                    lambda ours=ours: services.publish_convention(member=leads[0], document=ours),  # type: ignore[misc]  # defaults bind the loop
                    lambda theirs=theirs: services.publish_convention(member=leads[1], document=theirs),  # type: ignore[misc]  # likewise
                )["won"]
                == 2
            )
        assert both > 0
    finally:
        monkeypatch.undo()
        ConventionVersion.objects.filter(follows=None, convention__name__regex="^[ab][0-9]+$").delete()
        with connection.schema_editor() as editor:
            editor.add_constraint(ConventionVersion, first)


def test_a_sheet_that_is_approved_while_a_version_is_published_is_on_its_list(
    leads: tuple[Membership, Membership],
) -> None:
    """Whichever comes first: the list is made of the new sheet, or the approval finds the new version."""
    lead, second = leads
    crate = factories.crate(lead)
    author = factories.member_of(lead.crew)
    for number in range(max(15, rounds() // 8)):
        proposal = factories.proposal(author, into=crate)
        document = convention_document()
        document["slots"][7]["loop_bars"] = 8 + number
        follows = current_version(lead)
        outcomes = race(
            lambda proposal=proposal: approve_proposal(member=second, proposal=proposal, seen_revision=1),  # type: ignore[misc]  # defaults bind the loop
            lambda document=document, follows=follows: publish_document(  # type: ignore[misc]  # likewise
                member=lead, document=document, follows=follows
            ),
        )
        assert outcomes == {"won": 2}
        version = current_version(lead)
        sheets = set(SheetVersion.objects.filter(crew=lead.crew).values_list("pk", flat=True))
        listed = Recheck.objects.filter(convention_version=version, ended="").values_list("sheet", flat=True)
        assert set(listed) == sheets
