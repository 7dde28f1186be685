"""Merging, threads, two reviewers, asking, opening again, bulk approval and dates over the API."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

import pytest

from crewprep.crews.models import Membership
from crewprep.onboarding.double import close_double_marking, open_double_marking
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


def sent(proposal: Proposal, **later: int) -> dict[str, Any]:
    return {
        "override_reason": "off the grid on purpose",
        "markers": [
            {"slot": m.slot, "start_us": m.start_us + later.get(f"s{m.slot}", 0), "end_us": m.end_us}
            for m in proposal.markers.all()
        ],
    }


def approve(caller: Caller, url: str) -> Any:
    seen = caller.get(url).json()
    return caller.post(f"{url}approve/", {"digest": seen["digest"]}, revision=seen["revision"])


def test_an_approval_names_what_it_approves(url: str, crewed: Crewed, as_member: AsMember) -> None:
    reviewer = as_member(crewed.reviewer)
    for body in ({}, {"digest": "x"}):
        answer = reviewer.post(f"{url}approve/", body, revision=1)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/digest")
    answer = reviewer.post(f"{url}approve/", {"digest": "0" * 64}, revision=1)
    assert (answer.status_code, answer.json()["code"]) == (409, "proposal:other-content")
    assert not SheetVersion.objects.exists()
    assert approve(reviewer, url).json()["sheet_version"] == 1


def test_two_reviewers(url: str, crewed: Crewed, as_member: AsMember) -> None:
    lead, reviewer = as_member(crewed.lead), as_member(crewed.reviewer)
    options = f"{crewed.base}review/"
    assert lead.get(options).json() == {"two_reviewers": False, "bulk_confidence": None}
    wanted = {"two_reviewers": True, "bulk_confidence": 0.9}
    assert reviewer.put(options, wanted).status_code == 403
    assert lead.put(options, wanted).json() == wanted
    assert lead.put(options, {"two_reviewers": True, "bulk_confidence": 1.5}).status_code == 422

    first = approve(reviewer, url).json()
    assert (first["state"], first["first_approved_by"]["username"]) == ("open", crewed.reviewer.user.username)
    assert approve(reviewer, url).json()["code"] == "proposal:approved-by-you"
    assert approve(lead, url).json()["state"] == "approved"


def test_threads(url: str, crewed: Crewed, as_member: AsMember) -> None:
    author, reviewer, newcomer = (as_member(one) for one in (crewed.author, crewed.reviewer, crewed.newcomer))
    body = {"remarks": [{"slot": 4, "text": "A phrase late."}], "heard": [4]}
    (remark,) = reviewer.post(f"{url}return/", body, revision=1).json()["remarks"]
    thread = f"{url}remarks/{remark['id']}/"
    assert newcomer.post(f"{thread}replies/", {"text": "I hear it too."}).status_code == 201
    assert newcomer.put(f"{thread}settled/", {"resolved": True}).json()["code"] == "remark:not-yours"
    settled = author.put(f"{thread}settled/", {"resolved": True}).json()["remarks"][0]
    assert settled["resolved_by"]["username"] == crewed.author.user.username
    assert [reply["text"] for reply in settled["replies"]] == ["I hear it too."]
    assert author.put(f"{thread}settled/", {"resolved": True}).json()["code"] == "remark:moved-on"


def test_a_remark_without_a_verdict(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    newcomer, author, reviewer = (as_member(one) for one in (crewed.newcomer, crewed.author, crewed.reviewer))
    remarks, asked = f"{url}remarks/", {"slot": 4, "text": "Why here, and not a phrase later?"}
    assert newcomer.post(remarks, asked).status_code == 428
    answer = newcomer.post(remarks, asked, revision=1)
    assert (answer.status_code, answer.json()["state"], answer.json()["revision"]) == (201, "open", 1)
    (remark,) = answer.json()["remarks"]
    assert (remark["slot"], remark["by"]["username"]) == (4, crewed.newcomer.user.username)
    assert newcomer.post(remarks, asked, revision=1).json()["code"] == "remark:said-already"
    for wrong in ({"slot": 9, "text": "x"}, {"slot": 4, "text": " "}, {"slot": 4, "text": "x" * 501}):
        assert newcomer.post(remarks, wrong, revision=1).status_code == 422
    assert author.put(f"{url}markers/", sent(proposal, s4=30_000_000), revision=1).status_code == 200
    stale = reviewer.post(remarks, asked, revision=1)
    assert (stale.status_code, stale.json()["code"]) == (412, "proposal:other-revision")
    assert author.post(f"{remarks}{remark['id']}/replies/", {"text": "Moved."}).status_code == 201
    assert approve(reviewer, url).json()["state"] == "approved", "an open remark stops no approval"
    assert reviewer.post(remarks, asked, revision=2).json()["code"] == "proposal:wrong-state"


def test_no_remark_on_what_one_must_mark_unseen(
    url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember
) -> None:
    """The answer would show the markers, and the words could tell of them."""
    fresh = [factories.member_of(crewed.lead.crew) for _ in range(2)]
    marking = open_double_marking(
        member=crewed.lead, name="May", version=crewed.convention, tracks=[proposal.track], members=fresh
    )
    reader, asked = as_member(fresh[0]), {"slot": 4, "text": "Why here?"}
    assert reader.post(f"{url}remarks/", asked, revision=1).json()["code"] == "double:unseen-first"
    close_double_marking(member=crewed.lead, marking=marking)
    assert reader.post(f"{url}remarks/", asked, revision=1).status_code == 201


def test_merging_after_opening_again(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    author, reviewer = as_member(crewed.author), as_member(crewed.reviewer)
    assert author.get(f"{url}merge/").json() == {"stale": None}
    assert author.put(f"{url}markers/", sent(proposal, s3=30_000_000, s4=30_000_000), revision=1).status_code == 200
    assert author.post(f"{url}withdraw/", revision=2).status_code == 200
    other = {"track": str(proposal.track_id), **sent(proposal, s2=10_000_000, s4=10_000_000)}
    rival = f"{crewed.base}proposals/{author.post(f'{crewed.base}proposals/', other).json()['id']}/"
    assert author.post(f"{url}reopen/", {}, revision=2).json()["code"] == "proposal:pending"
    assert approve(reviewer, rival).json()["sheet_version"] == 1

    again = author.post(f"{url}reopen/", {}, revision=2).json()
    assert (again["state"], again["revision"], again["newer_sheet"]) == ("open", 3, 1)
    assert approve(reviewer, url).json()["code"] == "proposal:stale-base"
    stale = author.get(f"{url}merge/").json()["stale"]
    conflicts = [slot["slot"] for slot in stale["slots"] if slot["kind"] == "conflict"]
    body: dict[str, Any] = {"sheet_version": stale["sheet_version"], "override_reason": "as proposed"}
    refused = author.post(f"{url}merge/", body, revision=3)
    assert (refused.status_code, refused.json()["code"]) == (422, "proposal:merge-choice")
    body["choices"] = [{"slot": slot, "take": "yours"} for slot in conflicts]
    merged = author.post(f"{url}merge/", body, revision=3).json()
    assert (merged["base_version"], merged["newer_sheet"], merged["revision"]) == (1, None, 4)
    assert approve(reviewer, url).json()["sheet_version"] == 2


def test_whom_it_is_put_to(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    author = as_member(crewed.author)
    asked = author.get(url).json()["asked"]["username"]
    other = next(one.user.username for one in (crewed.lead, crewed.reviewer) if one.user.username != asked)
    body = {"reviewer": other, "instead_of": asked}
    assert author.put(f"{url}reviewer/", body).json()["asked"]["username"] == other
    assert author.put(f"{url}reviewer/", body).json()["code"] == "proposal:moved-on"
    for wrong, status in (("nobody-here", 404), (crewed.newcomer.user.username, 422)):
        assert author.put(f"{url}reviewer/", {"reviewer": wrong, "instead_of": other}).status_code == status


def test_bulk(crewed: Crewed, as_member: AsMember) -> None:
    track = factories.analysed_track(crewed.author, crewed.crate)
    draft = factories.draft(track, crewed.convention)
    author, reviewer, lead = (as_member(one) for one in (crewed.author, crewed.reviewer, crewed.lead))
    markers = [{"slot": m.slot, "start_us": m.start_us, "end_us": m.end_us} for m in draft.markers.all()]
    author.post(f"{crewed.base}proposals/", {"track": str(track.pk), "markers": markers})
    bulk = f"{crewed.base}review/bulk/"
    (line,) = reviewer.get(bulk).json()
    assert "switched off" in line["why_not"]
    picks = {"picks": [{name: line[name] for name in ("proposal", "revision", "digest")}]}
    assert reviewer.post(bulk, picks).json()["code"] == "review:bulk-off"
    lead.put(f"{crewed.base}review/", {"two_reviewers": False, "bulk_confidence": 0.8})
    assert author.post(bulk, picks).json()[0]["refused"]["code"] == "review:not-in-bulk"
    assert reviewer.post(bulk, picks).json() == [{"proposal": line["proposal"], "sheet_version": 1, "refused": None}]


def test_the_sheet_of_any_date(url: str, proposal: Proposal, crewed: Crewed, as_member: AsMember) -> None:
    author, reviewer = as_member(crewed.author), as_member(crewed.reviewer)
    track = f"{crewed.base}tracks/{proposal.track_id}/"
    approve(reviewer, url)
    again = author.post(f"{track}sheets/again/", {"version": 1}).json()
    assert (again["base_version"], len(again["markers"])) == (1, 7)
    assert author.post(f"{track}sheets/again/", {"version": 1}).json()["code"] == "proposal:pending"
    approve(reviewer, f"{crewed.base}proposals/{again['id']}/")
    two, one = author.get(f"{track}sheets/").json()
    assert (two["version"], one["version"]) == (2, 1)
    for at, version in ((one["approved_at"], 1), (two["approved_at"], 2), ("2099-01-01T00:00:00Z", 2)):
        assert author.get(f"{track}sheet/?{urlencode({'at': at})}").json()["sheet"]["version"] == version
    early = author.get(f"{track}sheet/?at=2001-01-01T00:00:00Z")
    assert (early.status_code, early.json()["code"]) == (404, "sheet:none-yet")
    for query in ("at=yesterday", "at=2099-01-01T00:00:00Z&version=1"):
        assert author.get(f"{track}sheet/?{query}").status_code == 422
    assert author.post(f"{track}sheets/again/", {"version": 9}).status_code == 404
    table = author.get(f"{track}sheet.csv?at=2099-01-01T00:00:00Z", Accept="text/csv")
    assert table.status_code == 200
