"""A convention is written as a draft that the leads share, and published once."""

from __future__ import annotations

import pytest

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.conventions.models import ConventionDraft
from crewprep.conventions.selectors import as_document, convention_draft_for, current_version, draft_of
from crewprep.conventions.services import drop_draft, publish_convention, publish_draft, renew_draft, save_draft
from crewprep.crews.models import Membership, Role
from tests import factories
from tests.factories.music import convention_document

pytestmark = pytest.mark.django_db


@pytest.fixture
def second(lead: Membership) -> Membership:
    return factories.member_of(lead.crew, Role.LEAD)


def test_what_a_lead_saves_another_goes_on_with(lead: Membership, second: Membership) -> None:
    unfinished = {"name": "", "slots": [{"number": "1", "name": "", "loop_bars": "many"}]}
    draft = save_draft(member=lead, document=unfinished, seen_revision=0)
    assert convention_draft_for(second).document == unfinished
    later = save_draft(member=second, document=convention_document(), seen_revision=draft.revision)
    assert (later.pk, later.revision, later.changed_by) == (draft.pk, 2, second.user)
    with pytest.raises(Conflict) as refused:
        save_draft(member=lead, document=unfinished, seen_revision=draft.revision)
    assert str(second.user) in refused.value.sentence
    with pytest.raises(Conflict):
        save_draft(member=lead, document=unfinished, seen_revision=0)
    assert convention_draft_for(lead).document == convention_document()
    verbs = list(Activity.objects.filter(subject_id=draft.pk).values_list("verb", "actor").order_by("created_at"))
    assert verbs == [("convention draft saved", lead.user.pk), ("convention draft saved", second.user.pk)]


def test_a_draft_is_the_leads_alone_and_the_crews_own(lead: Membership, resident: Membership) -> None:
    with pytest.raises(Refused):
        save_draft(member=resident, document=convention_document(), seen_revision=0)
    draft = save_draft(member=lead, document=convention_document(), seen_revision=0)
    for attempt in (publish_draft, drop_draft, renew_draft):
        with pytest.raises(Refused):
            attempt(member=resident, draft=draft, seen_revision=1)
    with pytest.raises(NotFound):
        convention_draft_for(factories.crew_with())
    drop_draft(member=lead, draft=draft, seen_revision=1)
    assert draft_of(lead) is None


def test_a_draft_is_published_as_the_next_version_and_is_gone(lead: Membership) -> None:
    first = factories.convention(lead)
    draft = save_draft(member=lead, document=convention_document(slots=6), seen_revision=0)
    assert draft.begun_from == first
    version = publish_draft(member=lead, draft=draft, seen_revision=1)
    assert (version.number, version.follows, current_version(lead)) == (2, first, version)
    assert as_document(version) == convention_document(slots=6)
    assert draft_of(lead) is None
    with pytest.raises(Conflict):
        publish_draft(member=lead, draft=draft, seen_revision=1)


def test_what_is_not_ready_stays_a_draft(lead: Membership) -> None:
    draft = save_draft(member=lead, document=convention_document(slots=3), seen_revision=0)
    with pytest.raises(Invalid, match="4 to 16 slots"):
        publish_draft(member=lead, draft=draft, seen_revision=1)
    assert convention_draft_for(lead).revision == 1
    assert current_version(lead) is None


def test_the_same_again_is_not_published(lead: Membership) -> None:
    factories.convention(lead)
    draft = save_draft(member=lead, document=convention_document(), seen_revision=0)
    with pytest.raises(Conflict, match="says already"):
        publish_draft(member=lead, draft=draft, seen_revision=1)
    renamed = save_draft(member=lead, document=convention_document(name="Other"), seen_revision=1)
    assert publish_draft(member=lead, draft=renamed, seen_revision=2).number == 1


def test_a_version_that_came_between_is_looked_at_first(lead: Membership, second: Membership) -> None:
    factories.convention(lead)
    draft = save_draft(member=lead, document=convention_document(slots=6), seen_revision=0)
    between = publish_convention(member=second, document=convention_document(slots=7))
    with pytest.raises(Conflict) as refused:
        publish_draft(member=lead, draft=draft, seen_revision=1)
    assert refused.value.code == "convention:newer"
    assert str(between) in refused.value.sentence
    assert ConventionDraft.objects.get().document == convention_document(slots=6)
    renewed = renew_draft(member=lead, draft=draft, seen_revision=1)
    assert (renewed.begun_from, renewed.revision) == (between, 2)
    assert publish_draft(member=lead, draft=renewed, seen_revision=2).number == 3


def test_a_document_written_from_an_older_version_is_refused(lead: Membership) -> None:
    first = factories.convention(lead)
    publish_convention(member=lead, document=convention_document(slots=6), follows=first)
    with pytest.raises(Conflict):
        publish_convention(member=lead, document=convention_document(slots=7), follows=first)
    with pytest.raises(Conflict):
        publish_convention(member=lead, document=convention_document(slots=7), follows=None)
