"""The pages of an address under axe, wide and narrow, light and dark; typed and confirmed without scripts."""

from __future__ import annotations

import pytest
from django.core import mail as outbox
from django.urls import reverse

from crewprep.crews.models import User
from crewprep.notices.addresses import link_token, write_address
from crewprep.notices.models import AddressMail
from crewprep.notices.sending import send_due
from tests import factories
from tests.notices.conftest import with_address
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LONG = "somebody.with.a.rather.long.name.for.an.address@a-rather-long-name-of-a-place.invalid"


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (360, "dark"), (320, "light")])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(live_server, chromium, width, scheme):
    lead = factories.crew_with()
    with_address(lead)
    write_address(user=lead.user, address=LONG)
    paths = [
        reverse("account"),
        reverse("notice-choices", args=[lead.crew.slug]),
        reverse("confirm-address", args=[link_token(AddressMail.objects.get())]),
    ]
    context = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, live_server.url + paths[0], cookie(lead), **context) as page:
        for path in paths:
            page.goto(live_server.url + path)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path


def test_an_address_is_typed_and_confirmed_without_scripts(live_server, chromium, settings):
    settings.PUBLIC_URL = f"{live_server.url}/"
    lead = factories.crew_with()
    with opened(chromium, live_server.url + reverse("account"), cookie(lead), java_script_enabled=False) as page:
        page.get_by_label("E-mail").fill("new@crew.invalid")
        page.get_by_label("E-mail").press("Enter")
        assert "Your address is not confirmed yet" in page.content()
        page.get_by_role("button", name="Send the mail again").click()
        assert "ask again in 10 minutes" in page.content()
    send_due()
    (mail,) = outbox.outbox
    link = next(line for line in str(mail.body).splitlines() if "/address/" in line)
    with opened(chromium, link, cookie(lead), java_script_enabled=False) as page:
        page.get_by_role("button", name="Confirm the address").click()
        page.get_by_role("link", name="Go to your account").click()
        assert page.url.endswith(reverse("account"))
        assert "not confirmed" not in page.content()
    assert User.objects.get(pk=lead.user_id).address_confirmed
