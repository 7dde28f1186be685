"""The export: everything tied to a person by whatever model, nobody else's name, no secret."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.apps import apps
from django.db import models
from knox.models import AuthToken

from crewprep.accounts.export import CHILDREN, LEFT_OUT, ONLY, export_of, ties
from crewprep.crates.models import Crate
from crewprep.crews.invitations import invite
from crewprep.crews.models import Membership, Role, User
from crewprep.crews.services import change_role
from crewprep.crews.tokens import make_token
from crewprep.preparation.services import keep_work
from crewprep.readiness.services import give_feed
from crewprep.review.models import ProposedMarker
from crewprep.review.services import RemarkInput, approve_proposal, return_proposal
from crewprep.review.threads import begin_remark
from crewprep.sheets.keeping import Work
from tests import factories


@pytest.fixture
def somebody(lead: Membership, crate: Crate) -> Membership:
    """A resident who has done a little of everything."""
    member = factories.member_of(lead.crew, Role.LEAD)
    other = factories.member_of(lead.crew, person=factories.user("quillfeather"))
    track = factories.analysed_track(member, crate)
    keep_work(member=member, track=track, version=crate.convention_version, work=Work([], "mine", ""), seen_revision=0)
    approved = factories.proposal(member, into=crate)
    approve_proposal(member=other, proposal=approved, seen_revision=1, note="well heard")
    returned = factories.proposal(other, into=crate)
    return_proposal(member=member, proposal=returned, seen_revision=1, remarks=[RemarkInput(4, "A phrase early?")])
    begin_remark(member=member, proposal=returned, slot=2, text="Why here?", seen_revision=1)
    change_role(member=lead, other=member, role=Role.RESIDENT, seen_role=Role.LEAD)
    change_role(member=lead, other=other, role=Role.NEWCOMER, seen_role=Role.RESIDENT)
    give_feed(member=member)
    make_token(user=member.user, name="crate list", crew_slug=lead.crew.slug)
    return member


def approved_slots() -> models.QuerySet[Any, Any]:
    return ProposedMarker.objects.filter(proposal__state="approved").values_list("slot", flat=True)


def of(export: dict[str, Any], model: str, part: str) -> list[dict[str, Any]]:
    return [row for row in export["sections"][model] if part in row["you_are"]]


@pytest.mark.django_db
def test_everything_is_there(somebody: Membership) -> None:
    export = export_of(somebody.user)
    assert export["account"]["username"] == somebody.user.username
    (membership,) = of(export, "Membership", "user")
    assert (membership["role"], membership["crew"]["name"]) == ("resident", somebody.crew.name)
    (proposal,) = of(export, "Proposal", "proposed_by")
    assert (proposal["verdict_note"], proposal["reviewed_by"], proposal["state"]) == (
        "well heard", "another member", "approved",
    )  # fmt: skip
    assert [marker["slot"] for marker in proposal["markers"]] == list(approved_slots())
    (reviewed,) = of(export, "Proposal", "reviewed_by")
    assert "note" not in reviewed, "what another wrote is theirs"
    assert "markers" not in reviewed
    assert {row["text"] for row in of(export, "Remark", "by")} == {"A phrase early?", "Why here?"}
    assert [row["note"] for row in of(export, "KeptSheet", "member")] == ["mine"]
    assert len(of(export, "Claim", "holder")) == 1
    assert len(of(export, "CalendarFeed", "membership")) == 1
    (token,) = of(export, "AuthToken", "user")
    assert token["scope"][0]["name"] == "crate list"
    verbs = {row["verb"] for row in of(export, "Activity", "actor")}
    assert verbs >= {"proposed", "returned", "remarked", "track claimed"}
    about = {row["verb"]: row["details"]["person"] for row in of(export, "Activity", "person")}
    assert about["role changed"] == "you"


@pytest.mark.django_db
def test_it_is_json_without_secrets_or_other_names(somebody: Membership) -> None:
    text = json.dumps(export_of(somebody.user))
    user = User.objects.get(pk=somebody.user_id)
    token = AuthToken.objects.get(user=user)
    for secret in (user.password, token.digest, token.token_key):
        assert secret not in text
    for other in User.objects.exclude(pk=user.pk):
        assert f'"{other.username}"' not in text
        assert str(other) not in text


@pytest.mark.django_db
def test_of_another_it_holds_nothing(somebody: Membership) -> None:
    stranger = factories.crew_with()
    export = export_of(stranger.user)
    assert {name for name, rows in export["sections"].items() if rows} == {"Membership", "Activity"}
    assert somebody.crew.name not in json.dumps(export)


def columns_to(model: type[models.Model]) -> set[tuple[str, str]]:
    """Every column of every table that holds the id of such a row, found from the other end: the models' own fields."""
    return {
        (holder._meta.label, field.name)
        for holder in apps.get_models()
        for field in (*holder._meta.concrete_fields, *holder._meta.many_to_many)
        if field.related_model is model
    }


def test_every_way_to_a_person_is_exported_or_left_out_with_a_reason() -> None:
    found = {tie.name for tie in ties()}
    assert columns_to(User) | columns_to(Membership) == found
    assert set(LEFT_OUT) <= found
    assert set(ONLY) <= found
    assert all(LEFT_OUT.values())


def test_a_way_that_the_walk_forgets_is_found() -> None:
    found = {tie.name for tie in ties()}
    assert columns_to(User) - (found - {("crewprep.Remark", "by")}) == {("crewprep.Remark", "by")}


def test_the_lists_name_what_exists() -> None:
    for (label, _), fields in ONLY.items():
        names = {field.name for field in apps.get_model(label)._meta.concrete_fields}
        assert set(fields) <= names, label
    for label, children in CHILDREN.items():
        for child in children:
            assert apps.get_model(label)._meta.get_field(child).one_to_many or child == "scope"


@pytest.mark.django_db
def test_what_others_know_about_invitations_stays_with_them(lead: Membership) -> None:
    _, token = invite(member=lead, role=Role.NEWCOMER, note="Wim")
    export = export_of(lead.user)
    (row,) = of(export, "Invitation", "made_by")
    assert (row["note"], row["used_by"]) == ("Wim", None)
    assert token not in json.dumps(export)
