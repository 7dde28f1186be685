"""Every page but the track's under axe, wide and narrow, light and dark, without sideways scrolling."""

from __future__ import annotations

import pytest
from django.urls import reverse

from crewprep.crews.models import Role
from crewprep.jobs.models import Job, JobState
from crewprep.review.services import RemarkInput, return_proposal
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (1440, "dark"), (320, "light"), (360, "dark")])
def test_axe_finds_nothing_and_nothing_scrolls_sideways(live_server, chromium, width, scheme):
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    factories.member_of(lead.crew, Role.NEWCOMER)
    crate = factories.crate(lead, "A crate with a rather long name for a rather long night")
    waiting = factories.track(lead, crate)
    Job.objects.filter(track=waiting).update(state=JobState.DEAD, error_code="job:gave-up", error_detail="It stopped.")
    factories.draft(factories.analysed_track(lead, crate), crate.convention_version)
    open_one, returned = factories.proposal(resident, into=crate), factories.proposal(resident, into=crate)
    return_proposal(member=lead, proposal=returned, seen_revision=1, remarks=[RemarkInput(4, "A phrase early?")])
    empty = factories.crew_with(lead.user)
    slug = lead.crew.slug
    paths = [
        reverse("help"),
        reverse("home"),
        reverse("crew-home", args=[slug]),
        reverse("crew-home", args=[empty.crew.slug]),
        reverse("crate", args=[slug, crate.pk]),
        reverse("convention", args=[slug]),
        reverse("convention-publish", args=[slug]),
        reverse("queue", args=[slug]),
        reverse("queue", args=[empty.crew.slug]),
        reverse("proposal", args=[slug, open_one.pk]),
        reverse("proposal", args=[slug, returned.pk]),
    ]
    context = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, live_server.url + paths[0], cookie(lead), **context) as page:
        for path in paths:
            page.goto(live_server.url + path)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        page.context.clear_cookies()
        page.goto(live_server.url + reverse("sign-in"))
        assert axe(page) == []
