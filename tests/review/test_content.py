"""A verdict is about exactly what was seen."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.common.errors import Conflict
from crewprep.crews.models import Membership
from crewprep.review.content import canonical, digest_of
from crewprep.review.models import Proposal, ProposalState, ProposedMarker, Verdict
from crewprep.review.services import approve_proposal
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion


@dataclass(frozen=True)
class Subject:
    convention_version_id: UUID
    analysis_id: UUID
    base_id: UUID | None


def subject(convention: int = 1, analysis: int = 2, base: UUID | None = None) -> Subject:
    return Subject(UUID(int=convention), UUID(int=analysis), base)


def test_the_digest_is_sha_256_of_canonical_json() -> None:
    """RFC 8785, section 3.2: names sorted, no white space, strings in UTF-8 with the shortest escapes (3.2.2.2)."""
    text = canonical(subject(), [MarkerInput(2, 5), MarkerInput(1, 0, 7, 'é "\n€')])
    assert text == (
        '{"analysis":"00000000-0000-0000-0000-000000000002","base":null,'
        '"convention_version":"00000000-0000-0000-0000-000000000001","markers":['
        '{"end_us":7,"label":"é \\"\\n€","slot":1,"start_us":0},{"end_us":null,"label":"","slot":2,"start_us":5}]}'
    )
    digest = digest_of(subject(), [MarkerInput(2, 5), MarkerInput(1, 0, 7, 'é "\n€')])
    assert digest == hashlib.sha256(text.encode()).hexdigest()


markers = st.lists(
    st.builds(MarkerInput, slot=st.integers(1, 16), start_us=st.integers(0, 9), label=st.text(max_size=3)),
    unique_by=lambda marker: marker.slot,
)


@given(markers, markers, st.randoms())
def test_equal_contents_alone_have_equal_digests(one: list[MarkerInput], other: list[MarkerInput], order) -> None:
    mixed = list(one)
    order.shuffle(mixed)
    assert digest_of(subject(), mixed) == digest_of(subject(), one)
    same = {m.slot: m for m in one} == {m.slot: m for m in other}
    assert (digest_of(subject(), one) == digest_of(subject(), other)) == same
    assert digest_of(subject(base=UUID(int=3)), one) != digest_of(subject(), one)
    assert digest_of(subject(analysis=3), one) != digest_of(subject(), one)
    assert digest_of(subject(convention=3), one) != digest_of(subject(), one)
    assert json.loads(canonical(subject(), one))


@pytest.mark.django_db
def test_other_content_under_the_same_revision_is_a_conflict(proposal: Proposal, reviewer: Membership) -> None:
    """No service changes markers without the revision; whatever else might, is caught."""
    seen = digest_of(proposal, proposal.markers.all())
    ProposedMarker.objects.filter(proposal=proposal, slot=4).update(label="slipped in")
    with pytest.raises(Conflict) as refused:
        approve_proposal(member=reviewer, proposal=proposal, seen_revision=1, seen_digest=seen)
    assert refused.value.code == "proposal:other-content"
    assert not SheetVersion.objects.exists()
    assert not Verdict.objects.exists()
    proposal = Proposal.objects.get(pk=proposal.pk)
    assert proposal.state == ProposalState.OPEN
    again = digest_of(proposal, proposal.markers.all())
    sheet = approve_proposal(member=reviewer, proposal=proposal, seen_revision=1, seen_digest=again)
    assert sheet.digest == again == Verdict.objects.get().digest
