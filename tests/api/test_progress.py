"""Progress, the bar, and a lead's word over the API."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from crewprep.crews.models import Membership
from crewprep.review.content import digest_of
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


@pytest.fixture
def progress_url(crewed: Crewed) -> str:
    sheet = factories.approved_sheet(crewed.lead, crewed.crate)
    factories.drill(crewed.newcomer, sheet, {4: 32.0, 5: None}, placed={7: sheet.analysis.result.beats_us[90]})
    return f"{crewed.base}members/{crewed.newcomer.pk}/progress/"


def test_ones_own_progress_and_everyones_for_leads(crewed: Crewed, as_member: AsMember, progress_url: str) -> None:
    own = as_member(crewed.newcomer).get(progress_url)
    found = own.json()
    assert own.status_code == 200
    assert found["member"] == str(crewed.newcomer.pk)
    assert found["bar"] == {"least_drills": 5, "least_share": 0.6}
    assert not found["readiness"]["ready"]
    assert found["readiness"]["reasons"][0] == "1 of 5 drills are handed in."
    (drill,) = found["drills"]
    beat = drill["within"]["beat"]
    # SciPy: binomtest(5, 7).proportion_ci(method="wilson") is 0.3589 to 0.9178.
    assert (beat["successes"], beat["trials"]) == (5, 7)
    assert [beat["low"], beat["high"]] == pytest.approx([0.3589, 0.9178], abs=5e-5)
    assert drill["extra"] == 1
    slots = {slot["slot"]: slot for slot in found["slots"]}
    assert slots[4]["misses"] == [{"miss": "phrase", "times": 1, "phrases": 1, "other": None}]
    assert {"meant": "breakdown", "was_set": "nothing", "times": 1} in found["taken_for"]
    lead = as_member(crewed.lead).get(progress_url)
    assert lead.json() == found
    refused = as_member(crewed.reviewer).get(progress_url)
    assert (refused.status_code, refused.json()["code"]) == (403, "progress:lead-only")


def test_the_scores_as_a_table(crewed: Crewed, as_member: AsMember, progress_url: str) -> None:
    table = as_member(crewed.newcomer).get(f"{progress_url}scores.csv").content.decode().splitlines()
    assert table[0].startswith("handed_in_at,title,artist,slot,function,which,miss,off_ms,off_beats")
    assert len(table) == 9
    assert table[4].split(",")[3:] == ["4", "drop", "first", "phrase", "15000.000", "32.0000", "1", "", ""]
    assert table[5].split(",")[3:] == ["5", "breakdown", "second", "missing", "", "", "", "", ""]


def test_the_bar_is_set_by_leads(crewed: Crewed, as_member: AsMember) -> None:
    url, sent = f"{crewed.base}sign-off-bar/", {"least_drills": 8, "least_share": 0.7}
    newcomer, lead = as_member(crewed.newcomer), as_member(crewed.lead)
    assert newcomer.put(url, sent).status_code == 403
    assert lead.put(url, sent).json() == newcomer.get(url).json() == sent
    refused = lead.put(url, {"least_drills": 1, "least_share": 0.9})
    assert (refused.status_code, refused.json()["code"]) == (422, "bar:out-of-reach")
    assert lead.put(url, {"least_drills": 0, "least_share": 0.9}).status_code == 422


def test_more_is_asked_for_then_the_newcomer_is_signed_off(
    crewed: Crewed, as_member: AsMember, progress_url: str
) -> None:
    lead, base = as_member(crewed.lead), f"{crewed.base}members/{crewed.newcomer.pk}/"
    (line,) = lead.get(f"{crewed.base}newcomers/").json()
    assert (line["member"], line["readiness"]["drills"]) == (str(crewed.newcomer.pk), 1)
    assert as_member(crewed.newcomer).get(f"{crewed.base}newcomers/").status_code == 403
    for member in (crewed.newcomer, crewed.reviewer):
        for end in ("sign-off", "ask-for-more"):
            assert as_member(member).post(f"{base}{end}/", {"seen_drills": 1, "note": "as heard"}).status_code == 403

    silent = lead.post(f"{base}ask-for-more/", {"seen_drills": 1})
    assert (silent.status_code, silent.json()["code"]) == (422, "sign-off:more-note-missing")
    asked = lead.post(f"{base}ask-for-more/", {"seen_drills": 1, "note": "The second breakdown."})
    assert (asked.status_code, asked.json()["end"], asked.json()["was_ready"]) == (201, "more", False)
    late = lead.post(f"{base}sign-off/", {"seen_drills": 0, "note": "as heard"})
    assert (late.status_code, late.json()["code"]) == (409, "sign-off:moved-on")
    why = lead.post(f"{base}sign-off/", {"seen_drills": 1})
    assert (why.status_code, why.json()["code"]) == (422, "sign-off:note-missing")
    done = lead.post(f"{base}sign-off/", {"seen_drills": 1, "note": "Heard them play."})
    assert done.status_code == 201
    assert lead.get(base).json()["role"] == "resident"
    assert [said["end"] for said in lead.get(progress_url).json()["said"]] == ["signed off", "more"]
    assert lead.get(f"{crewed.base}newcomers/").json() == []


def test_whoever_is_signed_off_approves_at_once(crewed: Crewed, as_member: AsMember) -> None:
    proposal = factories.proposal(crewed.author, into=crewed.crate)
    url = f"{crewed.base}proposals/{proposal.pk}/approve/"
    sent = {"digest": digest_of(proposal, proposal.markers.all())}
    newcomer = as_member(crewed.newcomer)
    assert newcomer.post(url, sent, revision=1).status_code == 403
    signed = as_member(crewed.lead).post(
        f"{crewed.base}members/{crewed.newcomer.pk}/sign-off/", {"seen_drills": 0, "note": "Heard them play."}
    )
    assert signed.status_code == 201
    assert newcomer.post(url, sent, revision=1).status_code == 200
