"""House checks at work: severities, what stops a proposal, the audit of a library, and asking again."""

from __future__ import annotations

import csv
import io

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from crewprep.common.errors import Invalid, Refused
from crewprep.crews.models import Membership
from crewprep.library.audit import audit
from crewprep.library.upkeep import freshen, mark_all
from crewprep.models import Activity, Crate, Proposal, SheetVersion
from crewprep.review.services import amend_proposal, approve_proposal, propose
from crewprep.sheets.checking import set_severities, severities_of
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def approved(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    """A sheet whose second marker is nine milliseconds late, with a free slot that has no label."""
    track = factories.analysed_track(resident, crate)
    markers = factories.eight_markers(factories.analysis_result())
    late = MarkerInput(2, markers[1].start_us + 9_000)
    proposal = propose(
        member=resident, track=track, convention_version=crate.convention_version,
        markers=[markers[0], late, *markers[2:], MarkerInput(7, markers[3].start_us + 7_500_000)],
    )  # fmt: skip
    return approve_proposal(member=lead, proposal=proposal, seen_revision=1)


def page(member: Membership, query: str = "") -> str:
    client = Client()
    client.force_login(member.user)
    answer = client.get(reverse("checks", args=[member.crew.slug]) + query)
    assert answer.status_code == 200
    return answer.content.decode()


def test_a_blocker_stops_a_proposal_unless_somebody_says_why(lead: Membership, resident: Membership, crate: Crate):
    track = factories.analysed_track(resident, crate)
    few = factories.eight_markers(factories.analysis_result())[:3]

    def put_forward(reason: str = "") -> Proposal:
        return propose(
            member=resident,
            track=track,
            convention_version=crate.convention_version,
            markers=few,
            override_reason=reason,
        )

    with pytest.raises(Invalid, match="Slot 4: The convention requires it, and it is empty") as refused:
        put_forward()
    assert refused.value.code == "proposal:blocked"
    with pytest.raises(Invalid):
        put_forward("  ")
    proposal = put_forward("an ambient piece: there is no drop")
    assert proposal.override_reason == "an ambient piece: there is no drop"
    client = Client()
    client.force_login(lead.user)
    html = client.get(reverse("proposal", args=[lead.crew.slug, proposal.pk])).content.decode()
    assert "an ambient piece: there is no drop" in html
    assert "The convention requires it, and it is empty." in html
    with pytest.raises(Invalid):
        amend_proposal(member=resident, proposal=proposal, markers=few, seen_revision=1)
    proposal.refresh_from_db()
    assert proposal.revision == 1


def test_only_a_lead_sets_severities_and_each_change_is_on_record(lead: Membership, resident: Membership):
    with pytest.raises(Refused):
        set_severities(member=resident, severities={"grid": "off"})
    for wrong in ({"grid": "deadly"}, {"spelling": "note"}):
        with pytest.raises(Invalid):
            set_severities(member=lead, severities=wrong)
    assert set_severities(member=lead, severities={"grid": "blocker", "required": "blocker", "label": "off"}) == 2
    assert severities_of(lead.crew)["grid"] == "blocker"
    assert severities_of(factories.crew_with().crew)["grid"] == "warning", "another crew has its own"
    rows = Activity.objects.filter(verb="house check set").order_by("pk")
    assert sorted((row.details["check"], row.details["severity"]) for row in rows) == [
        ("grid", "blocker"), ("label", "off"),
    ]  # fmt: skip


def test_the_audit_counts_by_check_and_follows_the_severities(lead: Membership, approved: SheetVersion):
    found = audit(lead)
    assert {count.check.code: count.sheets for count in found.counts if count.sheets} == {"grid": 1, "label": 1}
    assert [(one.check, one.slot) for one in found.lines[0].findings] == [("grid", 2), ("label", 7)]
    assert [one.check for one in audit(lead, check="label").lines[0].findings] == ["label"]
    assert list(audit(lead, severity="blocker").lines) == []
    set_severities(member=lead, severities={"label": "off", "grid": "blocker"})
    found = audit(lead)
    assert [(one.check, one.severity) for one in found.lines[0].findings] == [("grid", "blocker")]
    assert audit(factories.crew_with()).sheets == 0


def test_only_the_latest_sheet_of_a_track_counts(lead: Membership, resident: Membership, approved: SheetVersion):
    better = factories.eight_markers(factories.analysis_result())
    proposal = propose(
        member=resident, track=approved.track, convention_version=approved.convention_version, markers=better
    )
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    found = audit(lead)
    assert (found.sheets, found.clean, len(found.lines)) == (1, 1, 0)


def test_sheets_from_before_the_checks_are_told_and_can_be_asked(lead: Membership, approved: SheetVersion, capsys):
    kept = approved.findings
    SheetVersion.objects.update(findings=None)
    assert (audit(lead).unchecked, "1 not checked yet" in page(lead)) == (1, True)
    call_command("recheck_sheets")
    assert "1 sheets checked, 1 with other findings" in capsys.readouterr().out
    approved.refresh_from_db()
    assert approved.findings == kept
    call_command("recheck_sheets")
    assert "0 with other findings" in capsys.readouterr().out


def test_the_page_shows_filters_sets_and_exports(lead: Membership, resident: Membership, approved: SheetVersion):
    html = page(lead)
    assert "9 ms after the grid" in html
    assert "1 approved sheet, 0 of them clean" in html
    assert "9 ms" not in page(lead, "?check=label")
    assert "No sheet breaks what you asked for." in page(lead, "?severity=blocker")
    assert "Set severities" not in page(resident)
    client = Client()
    client.force_login(lead.user)
    url = reverse("checks", args=[lead.crew.slug])
    given = {code: ("off" if code == "label" else severity) for code, severity in severities_of(lead.crew).items()}
    assert "1 check changed." in client.post(url, given, follow=True).content.decode()
    assert "There is no house check" in client.post(url, {**given, "grid": "x"}, follow=True).content.decode()
    file = client.get(reverse("checks-csv", args=[lead.crew.slug])).content.decode()
    lines = list(csv.DictReader(io.StringIO(file)))
    assert [(line["slot"], line["check"], line["severity"]) for line in lines] == [("2", "grid", "warning")]


def test_the_audit_asks_as_often_for_many_sheets_as_for_one(
    lead: Membership, approved: SheetVersion, crate: Crate, django_assert_num_queries
):
    freshen()
    with django_assert_num_queries(5):
        audit(lead)
    with django_assert_num_queries(7):
        assert len(audit(lead).lines[:]) == 1
    for _ in range(3):
        another = factories.proposal(factories.member_of(lead.crew), into=crate)
        approve_proposal(member=lead, proposal=another, seen_revision=1)
    assert Proposal.objects.count() == 4
    SheetVersion.objects.update(findings=approved.findings)
    mark_all()
    freshen()
    with django_assert_num_queries(7):
        found = audit(lead)
        assert (found.sheets, len(found.lines[:])) == (4, 4)


def test_programs_read_and_set_them(lead: Membership, resident: Membership, approved: SheetVersion):
    client = Client()
    client.force_login(lead.user)
    base = f"/api/v1/crews/{lead.crew.slug}/checks/"
    counts = {one["check"]: one for one in client.get(base).json()}
    assert (counts["grid"]["severity"], counts["grid"]["sheets"]) == ("warning", 1)
    put = client.put(base, {"checks": [{"check": "grid", "severity": "off"}]}, content_type="application/json")
    assert {one["check"]: one["severity"] for one in put.json()}["grid"] == "off"
    sheets = client.get(base + "sheets/").json()
    assert [one["check"] for one in sheets["results"][0]["findings"]] == ["label"]
    assert client.get(base + "sheets/?check=nonsense").status_code == 422
    client.force_login(resident.user)
    refused = client.put(base, {"checks": [{"check": "grid", "severity": "note"}]}, content_type="application/json")
    assert refused.status_code == 403
