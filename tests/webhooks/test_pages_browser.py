"""The pages of webhooks under axe, wide and narrow, light and dark."""

from __future__ import annotations

import uuid

import pytest
from django.urls import reverse
from django.utils import timezone

from crewprep.webhooks.models import Delivery
from crewprep.webhooks.services import add_webhook
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (360, "dark"), (320, "light")])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(live_server, chromium, width, scheme):
    lead = factories.crew_with()
    webhook, _ = add_webhook(member=lead, url="https://receiver.invalid/a/rather/long/path/to/the/hook-of-the-crew")
    for state, answer in (("waiting", "Answered 500."), ("delivered", "Answered 204."), ("given up", "No answer.")):
        Delivery.objects.create(
            crew=lead.crew, webhook=webhook, event="proposal.approved", activity_id=uuid.uuid4(), body="{}",
            state=state, answer=answer, attempt=3, finished_at=None if state == "waiting" else timezone.now(),
        )  # fmt: skip
    paths = [reverse("webhooks", args=[lead.crew.slug]), reverse("webhook", args=[lead.crew.slug, webhook.pk])]
    context = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, live_server.url + paths[0], cookie(lead), **context) as page:
        for path in paths:
            page.goto(live_server.url + path)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        page.get_by_role("button", name="Give it another secret").click()
        assert page.locator("code", has_text="whsec_").count() == 1
        assert axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
