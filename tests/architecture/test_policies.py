"""Each route says whom it lets in, and holds to it."""

from __future__ import annotations

import pytest
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import path

from crewprep.common.policy import Policy, declare
from tests import factories
from tests.architecture.routes import crew_routes, routes, without_policy
from tests.architecture.walk import call, own_answers
from tests.architecture.world import CrewWorld, absent

ROLES = ("lead", "resident", "newcomer")
LEADS_ALONE = {
    "c/<slug:crew>/convention/draft/",
    "c/<slug:crew>/convention/draft/publish/",
    "c/<slug:crew>/convention/import/",
    "api/v1/crews/<slug:crew>/convention-draft/",
    "api/v1/crews/<slug:crew>/convention-draft/effect/",
    "api/v1/crews/<slug:crew>/invitations/",
    "api/v1/crews/<slug:crew>/newcomers/",
    "api/v1/crews/<slug:crew>/webhooks/",
    "api/v1/crews/<slug:crew>/webhooks/<uuid:webhook>/",
    "api/v1/crews/<slug:crew>/webhooks/<uuid:webhook>/deliveries/",
    "c/<slug:crew>/double-markings/new/",
    "c/<slug:crew>/webhooks/",
    "c/<slug:crew>/webhooks/<uuid:webhook_id>/",
    "c/<slug:crew>/practice/drills/<uuid:drill_id>/",  # the drill is a lead's own: to the others it is another member's
    "api/v1/crews/<slug:crew>/drills/<uuid:drill_id>/",  # the same
}
"""Pages that show nothing to other members but the reason why not."""
TAKING_PART = {
    "c/<slug:crew>/double-markings/<uuid:marking_id>/tracks/<uuid:track_id>/",
    "api/v1/crews/<slug:crew>/double-markings/<uuid:marking>/tracks/<uuid:track>/",
}
"""Of the lead and the resident, each with a sheet of their own; others have none."""
NOT_FOR_OTHER_MEMBERS = {
    "c/<slug:crew>/practice/progress/<uuid:member_id>/",
    "c/<slug:crew>/practice/progress/<uuid:member_id>/scores.csv",
    "api/v1/crews/<slug:crew>/members/<uuid:member_id>/progress/",
    "api/v1/crews/<slug:crew>/members/<uuid:member_id>/progress/scores.csv",
}
"""Where the member in the path is the newcomer: for them and for leads."""


def test_every_route_has_a_policy() -> None:
    assert without_policy(routes()) == []
    assert len(crew_routes()) >= 35


def test_a_route_without_a_policy_is_found() -> None:
    def view(request: HttpRequest) -> HttpResponse:
        return HttpResponse()

    patterns = [
        path("new/", view),
        path("c/<slug:crew>/new/", declare(Policy.PUBLIC)(lambda request, crew: HttpResponse())),
        path("c/<slug:crew>/old/", declare(Policy.MEMBER)(lambda request, crew: HttpResponse())),
    ]
    assert without_policy(routes(patterns)) == ["new/", "c/<slug:crew>/new/"]


def test_every_argument_of_a_route_can_be_filled(ours: CrewWorld) -> None:
    unknown = {name for route in crew_routes() for name in route.arguments} - set(ours.values())
    assert unknown == set(), "Add the new argument to CrewWorld.values, so that the walk can name things by it."


@pytest.mark.parametrize("role", ROLES)
def test_members_see_what_is_theirs(role: str, ours: CrewWorld, theirs: CrewWorld) -> None:
    """Without this, a service that refuses everybody would pass the other tests."""
    client = Client()
    client.force_login(ours.member(role).user)
    answers = own_answers(client, crew_routes(), ours)
    refused = {pattern: answer.status for pattern, answer in answers.items() if answer.status not in {200, 405}}
    not_taking_part = dict.fromkeys(TAKING_PART if role == "newcomer" else (), 404)
    others = dict.fromkeys(NOT_FOR_OTHER_MEMBERS if role == "resident" else (), 403)
    assert refused == ({} if role == "lead" else dict.fromkeys(LEADS_ALONE, 403) | not_taking_part | others)
    assert sum(answer.status == 200 for answer in answers.values()) >= 25
    assert [pattern for pattern, answer in answers.items() if theirs.word in answer.body] == []


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE"])
def test_nobody_gets_in_without_signing_in(method: str, ours: CrewWorld) -> None:
    client = Client()
    for route in routes():
        if route.policy in {Policy.PUBLIC, Policy.STAFF}:
            continue
        own = call(client, method, route, ours.values())
        if route.pattern.startswith("api/"):
            assert own.status == 401, route.pattern
        else:
            assert (own.status, own.location.partition("?")[0]) == (302, "/sign-in/"), route.pattern
        assert ours.word not in own.body
        assert own == call(client, method, route, absent(ours.values())), f"{method} {route.pattern}"


@pytest.mark.parametrize("person", ["nobody's member", "a member of a crew"])
def test_the_administration_is_for_staff(person: str, ours: CrewWorld, client: Client) -> None:
    client.force_login(ours.lead.user if person == "a member of a crew" else factories.user())
    staff = [route for route in routes() if route.policy == Policy.STAFF]
    assert len(staff) > 50
    fill = {"object_id": "1", "content_type_id": "1", "app_label": "crewprep", "id": "1", "url": "x"}
    for route in staff:
        if "<" in route.pattern and not route.arguments:
            continue  # the catch-all of a regular expression: the same view as the others
        answer = call(client, "GET", route, {name: fill.get(name, "1") for name in route.arguments})
        assert answer.status in {302, 404}, route.pattern
        assert ours.word not in answer.body


def test_public_routes_are_these() -> None:
    assert {route.pattern for route in routes() if route.policy == Policy.PUBLIC} == {
        "address/<str:address_token>/", "admin/login/", "admin/logout/", "api/", "api/docs/", "api/v1/schema/",
        "api/v1/tokens/", "calendar/<str:token>.ics", "forgotten/", "help/", "join/<str:invitation_token>/",
        "password/<str:password_token>/", "sign-in/", "sign-out/", "unsubscribe/<str:mail_token>/",
    }  # fmt: skip
