"""No working link stands in a log."""

from __future__ import annotations

import io
import logging

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.common.secrecy import HIDDEN
from crewprep.crews.invitations import invite
from crewprep.crews.models import Membership, Role, User
from crewprep.notices.forgotten import ask_for_password, password_token
from crewprep.notices.models import AddressMail
from crewprep.readiness.services import give_feed

pytestmark = pytest.mark.django_db


def test_links_that_open_something_are_not_logged(lead: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    console = next(one for one in logging.getLogger().handlers if one.get_name() == "console")
    stream = io.StringIO()
    monkeypatch.setattr(console, "stream", stream)
    address = "lead@crew.invalid"
    User.objects.filter(pk=lead.user_id).update(email=address, confirmed_email=address)
    ask_for_password(said=address)
    password, (_, invitation) = password_token(AddressMail.objects.get()), invite(member=lead, role=Role.NEWCOMER)
    feed = give_feed(member=lead)
    client = Client()
    assert client.post(reverse("new-password", args=[password]), {}).status_code == 422
    assert client.post(reverse("join", args=[invitation]), {}).status_code == 422
    assert client.post(reverse("calendar-feed", args=[feed])).status_code == 405
    assert client.get(reverse("new-password", args=["not-one"])).status_code == 404
    logged = stream.getvalue()
    for said in ("/password/", "/join/", "/calendar/"):
        assert f"{said}{HIDDEN}" in logged, "control: these addresses are logged"
    for secret in (password, invitation, feed):
        assert secret not in logged
