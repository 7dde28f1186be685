"""Proposals over the API: conditions (RFC 9110 section 13, RFC 6585 section 3), conflicts and refusals."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from crewprep.crews.models import Membership
from crewprep.review.content import digest_of
from crewprep.review.models import Proposal
from crewprep.sheets.models import SheetVersion
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


@pytest.fixture
def proposal(crewed: Crewed) -> Proposal:
    return factories.proposal(crewed.author, into=crewed.crate)


@pytest.fixture
def url(crewed: Crewed, proposal: Proposal) -> str:
    return f"{crewed.base}proposals/{proposal.pk}/"


def sent(proposal: Proposal, later_us: int = 0) -> dict[str, Any]:
    return {
        "markers": [
            {"slot": m.slot, "start_us": m.start_us + later_us, "end_us": m.end_us and m.end_us + later_us}
            for m in proposal.markers.all()
        ]
    }


def whole(proposal: Proposal) -> dict[str, Any]:
    """The body of an approval of all that the proposal is."""
    return {"digest": digest_of(proposal, proposal.markers.all())}


def test_the_revision_is_the_entity_tag(url: str, crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.reviewer).get(url)
    assert answer.headers["ETag"] == '"1"'
    assert answer.json()["revision"] == 1


@pytest.mark.parametrize("step", ["approve", "return", "withdraw"])
def test_a_verdict_without_the_seen_revision_is_not_taken(
    step: str, url: str, crewed: Crewed, as_member: AsMember
) -> None:
    for headers in ({}, {"If_Match": "*"}, {"If_Match": "1"}):
        answer = as_member(crewed.lead).post(f"{url}{step}/", {"note": "x"}, **headers)
        assert (answer.status_code, answer.json()["code"]) == (428, "request:revision-missing")
    assert not SheetVersion.objects.exists()


@pytest.mark.parametrize("tag", ['"2"', '"01"', 'W/"1"', '"0", "7"', '""'])
def test_another_revision_is_refused(tag: str, url: str, crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.reviewer).post(f"{url}approve/", {}, If_Match=tag)
    assert (answer.status_code, answer.json()["code"]) == (412, "proposal:other-revision")
    assert not SheetVersion.objects.exists()


def test_one_of_several_tags_may_match(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    assert as_member(crewed.reviewer).post(f"{url}approve/", whole(proposal), If_Match='"7", "1"').status_code == 200


def test_amending_moves_the_revision_on(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    changed = as_member(crewed.author).put(f"{url}markers/", sent(proposal, 1_000_000), revision=1)
    assert (changed.status_code, changed.json()["revision"], changed.headers["ETag"]) == (200, 2, '"2"')
    assert changed.json()["note"] == "as heard"

    stale = as_member(crewed.lead).put(f"{url}markers/", sent(proposal), revision=1)
    assert stale.status_code == 412
    assert "revision 2" in stale.json()["detail"]


def test_a_decided_proposal_cannot_be_decided_again(
    url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember
) -> None:
    assert as_member(crewed.reviewer).post(f"{url}approve/", whole(proposal), revision=1).status_code == 200
    answer = as_member(crewed.lead).post(f"{url}return/", {"note": "Too late."}, revision=1)
    assert (answer.status_code, answer.json()["code"]) == (409, "proposal:wrong-state")


def test_ones_own_is_refused_with_the_reason(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.author).post(f"{url}approve/", whole(proposal), revision=1)
    assert (answer.status_code, answer.json()["code"]) == (403, "proposal:own")
    answer = as_member(crewed.newcomer).post(f"{url}approve/", whole(proposal), revision=1)
    assert (answer.status_code, answer.json()["code"]) == (403, "crew:resident-only")


def test_returned_with_remarks_then_amended(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    by_reviewer = as_member(crewed.reviewer)
    assert by_reviewer.post(f"{url}return/", {}, revision=1).json()["code"] == "proposal:remarks-missing"
    returned = by_reviewer.post(
        f"{url}return/", {"remarks": [{"slot": 4, "text": "A phrase late."}]}, revision=1
    ).json()
    assert (returned["state"], returned["remarks"][0]["slot"]) == ("returned", 4)
    assert returned["reviewed_by"]["username"] == crewed.reviewer.user.username

    again = as_member(crewed.author).put(f"{url}markers/", {**sent(proposal, 500), "note": "Moved."}, revision=1).json()
    assert (again["state"], again["note"], again["reviewed_by"]) == ("open", "Moved.", None)


def test_withdrawing(url: str, crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.reviewer).post(f"{url}withdraw/", revision=1)
    assert (answer.status_code, answer.json()["code"]) == (403, "proposal:not-yours")
    assert as_member(crewed.author).post(f"{url}withdraw/", revision=1).json()["state"] == "withdrawn"


def test_a_second_proposal_for_a_track_waits(proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    body = {"track": str(proposal.track_id), **sent(proposal)}
    answer = as_member(crewed.lead).post(f"{crewed.base}proposals/", body)
    assert (answer.status_code, answer.json()["code"]) == (409, "proposal:pending")


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"slot": "4"}, "/markers/0/slot"),
        ({"slot": True}, "/markers/0/slot"),
        ({"slot": 99}, "/markers/0/slot"),
        ({"start_us": 1.5}, "/markers/0/start_us"),
        ({"start_us": -1}, "/markers/0/start_us"),
        ({"start_us": 2**70}, "/markers/0/start_us"),
        ({"start_us": None}, "/markers/0/start_us"),
        ({"label": "x" * 61}, "/markers/0/label"),
        ({"label": "a\x00b"}, "/markers/0/label"),
    ],
)
def test_a_marker_that_cannot_be_read_names_its_field(
    change: dict[str, Any], pointer: str, url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember
) -> None:
    body = sent(proposal)
    body["markers"][0] |= change
    answer = as_member(crewed.author).put(f"{url}markers/", body, revision=1)
    assert (answer.status_code, answer.json()["code"]) == (422, "invalid")
    assert answer.json()["errors"][0]["pointer"] == pointer


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"start_us": 3_600_000_000}, "marker:outside"),
        ({"end_us": 20_000_000}, "marker:point-with-end"),
        ({"slot": 2}, "marker:slot-twice"),
        ({"slot": 12}, "marker:unknown-slot"),
    ],
)
def test_a_marker_that_cannot_stand_has_a_code(
    change: dict[str, Any], code: str, url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember
) -> None:
    body = sent(proposal)
    body["markers"][0] |= change
    answer = as_member(crewed.author).put(f"{url}markers/", body, revision=1)
    assert (answer.status_code, answer.json()["code"]) == (422, code)
    assert Proposal.objects.get(pk=proposal.pk).revision == 1
