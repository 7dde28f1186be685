"""Every page but the track's under axe, wide and narrow, light and dark, without sideways scrolling."""

from __future__ import annotations

import pytest
from django.urls import reverse

from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.conventions.services import save_draft
from crewprep.crews.invitations import invite
from crewprep.crews.models import Role
from crewprep.crews.tokens import make_token
from crewprep.jobs.models import Job, JobState
from crewprep.review.services import RemarkInput, approve_proposal, propose, return_proposal
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.publishing import publish_document
from crewprep.tracks.models import Track
from tests import factories
from tests.factories.music import convention_document
from tests.web.browser import axe, cookie, opened, ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def analysis_of(track: Track) -> Analysis:
    analysis = current_analysis(track)
    assert analysis is not None
    return analysis


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
    on_paper = factories.proposal(resident, into=crate)
    approve_proposal(member=lead, proposal=on_paper, seen_revision=1)
    beats = analysis_of(on_paper.track).result.beats_us
    moved = [MarkerInput(2, beats[70] + 9_000, label="where the hum stays"), MarkerInput(8, beats[320], beats[336])]
    changed = propose(
        member=resident,
        track=on_paper.track,
        convention_version=crate.convention_version,
        markers=moved,
        override_reason="the hum is all there is",
    )
    longer = convention_document()
    longer["slots"][7]["loop_bars"] = 8
    version = publish_document(member=lead, document=longer)
    save_draft(member=lead, document=convention_document(slots=5), seen_revision=0)
    empty = factories.crew_with(lead.user)
    make_token(user=lead.user, name="a program with a rather long name", crew_slug=lead.crew.slug)
    _, token = invite(
        member=lead, role=Role.RESIDENT, note="somebody who plays rather long sets on rather long Fridays"
    )
    slug = lead.crew.slug
    paths = [
        reverse("help"),
        reverse("home"),
        reverse("crew-home", args=[slug]),
        reverse("crew-home", args=[empty.crew.slug]),
        reverse("crate", args=[slug, crate.pk]),
        reverse("convention", args=[slug]),
        reverse("convention-draft", args=[slug]),
        reverse("convention-publish", args=[slug]),
        reverse("convention-import", args=[slug]),
        reverse("convention-compare", args=[slug, version.pk]),
        reverse("rechecks", args=[slug, version.pk]),
        reverse("crate-move", args=[slug, crate.pk]) + f"?to={version.pk}",
        reverse("account"),
        reverse("account-password"),
        reverse("account-tokens"),
        reverse("account-close"),
        reverse("crew-members", args=[slug]),
        reverse("crew-member", args=[slug, resident.pk]),
        reverse("crew-leave", args=[slug]),
        reverse("join", args=[token]),
        reverse("tracks", args=[slug]),
        reverse("tracks", args=[slug]) + "?q=tune&state=approved&state=open",
        reverse("tracks", args=[slug]) + "?q=nothing+of+the+kind",
        reverse("tracks", args=[slug]) + "?tempo_from=fast",
        reverse("crate", args=[slug, crate.pk]) + "?find=tune",
        reverse("queue", args=[slug]),
        reverse("queue", args=[empty.crew.slug]),
        reverse("proposal", args=[slug, open_one.pk]),
        reverse("proposal", args=[slug, returned.pk]),
        reverse("proposal", args=[slug, changed.pk]),
        reverse("track-print", args=[slug, crate.pk, on_paper.track.pk]),
    ]
    context = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    # One search cannot be read and says so.
    with opened(chromium, live_server.url + paths[0], cookie(lead), refusals=1, **context) as page:
        for path in paths:
            page.goto(live_server.url + path)
            ready(page)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        page.context.clear_cookies()
        for path in (reverse("sign-in"), reverse("join", args=[token])):
            page.goto(live_server.url + path)
            assert axe(page) == [], path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
