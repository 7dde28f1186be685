"""The pages of notices under axe, wide and narrow, light and dark; a notice is opened without a script."""

from __future__ import annotations

import re
import uuid

import pytest
from django.urls import reverse
from django.utils import timezone

from crewprep.notices.choices import unsubscribe_token
from crewprep.notices.models import Notice
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def scene():
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    for number, (kind, text, read) in enumerate(
        [
            ("review-asked", "proposed a sheet for “The long way round”, and it waits for your review.", False),
            ("night-near", "“Tannery Yard, Saturday” is tomorrow, and 7 tracks are open.", False),
            ("claim-moved", "took over “Lanterns” from you with the note “needed tonight”.", True),
        ]
    ):  # fmt: skip
        Notice.objects.create(
            crew=lead.crew, recipient=lead.user, kind=kind, about=str(number), subject_id=uuid.uuid4(), text=text,
            by=None if kind == "night-near" else resident.user, path=reverse("queue", args=[lead.crew.slug]),
            happened_at=timezone.now(), read_at=timezone.now() if read else None,
        )  # fmt: skip
    return lead


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (360, "dark"), (320, "light")])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(live_server, chromium, width, scheme):
    lead = scene()
    paths = [
        reverse("notices", args=[lead.crew.slug]),
        reverse("notice-choices", args=[lead.crew.slug]),
        reverse("unsubscribe", args=[unsubscribe_token(lead)]),
    ]
    context = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, live_server.url + paths[0], cookie(lead), **context) as page:
        for path in paths:
            page.goto(live_server.url + path)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path


def test_notices_are_opened_and_mails_are_stopped_without_scripts(live_server, chromium):
    lead = scene()
    url = live_server.url + reverse("notices", args=[lead.crew.slug])
    with opened(chromium, url, cookie(lead), java_script_enabled=False) as page:
        page.get_by_role("button", name=re.compile("^Open")).first.click()
        assert page.url.endswith("/queue/")
        assert page.get_by_role("link", name=re.compile("^Notices 1")).count() == 1
        page.goto(live_server.url + reverse("unsubscribe", args=[unsubscribe_token(lead)]))
        page.get_by_role("button", name="Stop all mails").click()
        assert "No more mails come to you from this crew." in page.content()
