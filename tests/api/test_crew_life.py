"""Members, roles, invitations and joining over the API."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.crews.models import Membership, Role
from crewprep.crews.tokens import make_token
from tests import factories
from tests.api.conftest import Crewed, caller
from tests.api.contract import Caller

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


def test_what_each_role_may_do(crewed: Crewed, as_member: AsMember) -> None:
    rows = {row["code"]: row["answers"] for row in as_member(crewed.newcomer).get(f"{crewed.base}roles/").json()}
    review = {answer["role"]: answer for answer in rows["review"]}
    assert review["resident"] == {"role": "resident", "allowed": True, "reason": ""}
    assert review["newcomer"]["allowed"] is False
    assert review["newcomer"]["reason"].startswith("Only leads and residents")


def test_roles_change_for_leads_alone(crewed: Crewed, as_member: AsMember) -> None:
    url = f"{crewed.base}members/{crewed.newcomer.pk}/"
    sent = {"role": "resident", "seen_role": "newcomer"}
    refused = as_member(crewed.author).put(url, sent)
    assert (refused.status_code, refused.json()["code"]) == (403, "crew:lead-only")
    lead = as_member(crewed.lead)
    assert lead.put(url, sent).json()["role"] == "resident"
    late = lead.put(url, sent)
    assert (late.status_code, late.json()["code"]) == (409, "member:moved-on")
    assert lead.get(url).json()["id"] == str(crewed.newcomer.pk)
    assert lead.put(url, {"role": "king", "seen_role": "resident"}).status_code == 422


def test_the_lead_is_handed_over(crewed: Crewed, as_member: AsMember) -> None:
    lead = as_member(crewed.lead)
    own = f"{crewed.base}members/{crewed.lead.pk}/"
    stuck = lead.call("DELETE", own)
    assert (stuck.status_code, stuck.json()["code"]) == (409, "crew:last-lead")
    answer = lead.post(f"{crewed.base}members/{crewed.author.pk}/hand-over/", {})
    assert answer.json()["role"] == "lead"
    assert lead.get(own).json()["role"] == "resident"
    assert lead.call("DELETE", own).status_code == 204
    assert lead.get(crewed.base).status_code == 404


def test_removal_takes_effect_with_the_next_request(crewed: Crewed, as_member: AsMember) -> None:
    author, lead = as_member(crewed.author), as_member(crewed.lead)
    url = f"{crewed.base}members/{crewed.author.pk}/"
    scoped = Caller(make_token(user=crewed.author.user, crew_slug=crewed.lead.crew.slug)[1])
    assert author.get(crewed.base).status_code == scoped.get(crewed.base).status_code == 200
    assert as_member(crewed.newcomer).call("DELETE", url).status_code == 403
    assert lead.call("DELETE", url).status_code == 204
    assert author.get(crewed.base).status_code == 404
    assert scoped.get(crewed.base).status_code == 401
    assert lead.call("DELETE", url).status_code == 404


def test_an_invitation_from_making_to_joining(crewed: Crewed, as_member: AsMember) -> None:
    lead, url = as_member(crewed.lead), f"{crewed.base}invitations/"
    made = lead.post(url, {"role": "resident", "note": "Wim"})
    assert made.status_code == 201
    token = made.json()["token"]
    assert made.json()["link"].endswith(f"/join/{token}/")
    listed = lead.get(url)
    assert [line["note"] for line in listed.json()] == ["Wim"]
    assert token not in listed.content.decode()
    for member in (crewed.author, crewed.newcomer):
        assert as_member(member).get(url).status_code == 403
        assert as_member(member).post(url, {"role": "lead"}).status_code == 403

    wim, late = caller(factories.user()), caller(factories.user())
    joined = wim.post("/api/v1/join/", {"token": token})
    assert (joined.status_code, joined.json()["role"]) == (201, "resident")
    assert wim.get(crewed.base).status_code == 200
    used = late.post("/api/v1/join/", {"token": token})
    never = late.post("/api/v1/join/", {"token": "never-there"})
    assert used.json() == never.json()
    assert (used.status_code, used.json()["code"]) == (404, "invitation:none")
    assert lead.get(url).json() == []


def test_a_withdrawn_invitation_opens_nothing(crewed: Crewed, as_member: AsMember) -> None:
    lead, url = as_member(crewed.lead), f"{crewed.base}invitations/"
    made = lead.post(url, {"role": "newcomer"}).json()
    assert as_member(crewed.author).call("DELETE", f"{url}{made['id']}/").status_code == 403
    assert lead.call("DELETE", f"{url}{made['id']}/").status_code == 204
    again = lead.call("DELETE", f"{url}{made['id']}/")
    assert (again.status_code, again.json()["code"]) == (409, "invitation:settled")
    assert caller(factories.user()).post("/api/v1/join/", {"token": made["token"]}).status_code == 404
    assert Membership.objects.filter(crew=crewed.lead.crew, role=Role.NEWCOMER).count() == 1
