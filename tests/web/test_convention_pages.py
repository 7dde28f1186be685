"""Comparing, previewing, importing, re-checking and moving, as members meet them on pages and programs in the API."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from crewprep.conventions.selectors import convention_draft_for, current_version, draft_of
from crewprep.conventions.services import save_draft
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.models import Proposal, Recheck, SheetVersion
from crewprep.sheets.publishing import move_crate, publish_document
from crewprep.sheets.rechecks import still_right
from crewprep.web.desk import desk_for
from tests import factories
from tests.api.contract import check
from tests.factories.music import convention_document
from tests.sheets.test_rechecks import SWAPPED, approved, changed
from tests.web.test_pages import at, publish_by_form, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def sheet(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    return approved(lead, resident, crate)


def body(member: Membership, name: str, *more: Any, **query: Any) -> str:
    answer = signed_in(member).get(at(name, member, *more), query)
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_preview_says_what_the_list_then_holds(lead: Membership, sheet: SheetVersion) -> None:
    document = changed((8, {"loop_bars": 8}), (7, {"required": True}), (1, {"name": "Way in"}), leave_out=(5,))
    save_draft(member=lead, document=document, seen_revision=0)
    preview = body(lead, "convention-publish")
    for words in (
        "No sheet keeps its meaning", "1 sheet needs slot 7", "1 loop in slot 8 is too short",
        "1 marker of slot 5 stays behind", "The loop in slot 8 lasts 4 bars where 8 are asked for now.",
        "8 bars long instead of 4", "Was called “Mix-in”", "Every track needs it now", "Publish version 2", "Retired",
    ):  # fmt: skip
        assert words in preview, words
    published = publish_by_form(lead, document)
    version = current_version(lead)
    assert version is not None
    assert published.url == at("rechecks", lead, version.pk)
    listed = body(lead, "rechecks", version.pk)
    assert "0 of 1" in listed
    assert "It needs slot 7, Vocal or riff." in listed
    assert "1 sheet of 1 still needs a look" in body(lead, "convention")


def test_a_label_that_is_not_agreed_any_more_is_told_before_and_listed_after(
    lead: Membership, resident: Membership, crate: Crate, sheet: SheetVersion
) -> None:
    document = changed((4, {"labels": ["Big", "Small"]}))
    save_draft(member=lead, document=document, seen_revision=0)
    preview = body(lead, "convention-publish")
    for words in (
        "1 label in slot 4 is not as agreed", "Labelled “Big” or “Small” instead of freely",
        "Slot 4 asks for the label “Big” or “Small” now, and its marker has none.",
    ):  # fmt: skip
        assert words in preview, words
    publish_by_form(lead, document)
    version = current_version(lead)
    assert version is not None
    (reason,) = Recheck.objects.get(sheet=sheet, convention_version=version).reasons
    assert (reason["kind"], reason["slot"]) == ("label", 4)
    assert "Labelled freely instead of “Big” or “Small”" in body(
        lead, "convention-compare", crate.convention_version.pk, **{"with": version.pk}
    )


def test_nothing_to_look_at_leads_back_to_the_convention(lead: Membership, sheet: SheetVersion) -> None:
    published = publish_by_form(lead, changed((1, {"name": "Way in"})))
    assert published.url == at("convention", lead)
    assert Recheck.objects.count() == 0


def test_a_version_in_between_is_compared_before_publishing(lead: Membership, crate: Crate) -> None:
    save_draft(member=lead, document=convention_document(slots=6), seen_revision=0)
    publish_document(member=lead, document=convention_document(slots=7))
    preview = body(lead, "convention-publish")
    assert "was published after this draft was begun" in preview
    assert 'value="publish"' not in preview
    client, address = signed_in(lead), at("convention-publish", lead)
    refused = client.post(address, {"do": "publish", "seen_revision": "1"}, follow=True)
    assert "was published after this draft was begun" in refused.content.decode()
    assert client.post(address, {"do": "renew", "seen_revision": "1"}).status_code == 302
    assert 'value="publish"' in body(lead, "convention-publish")
    client.post(address, {"do": "drop", "seen_revision": "1"})
    assert draft_of(lead) is not None, "another revision than the one that was seen"
    client.post(address, {"do": "drop", "seen_revision": "2"})
    assert draft_of(lead) is None
    assert "There is no draft" in body(lead, "convention-publish")


def test_two_versions_beside_each_other(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    first = crate.convention_version
    second = publish_document(member=lead, document=SWAPPED)
    assert "It is the only version" not in body(newcomer, "convention-compare", first.pk)
    compared = body(newcomer, "convention-compare", second.pk)
    assert "Number 4 instead of 6" in compared
    assert "6 slots are the same" in compared
    assert "The two are the same" in body(newcomer, "convention-compare", second.pk, **{"with": second.pk})
    missing = signed_in(newcomer).get(at("convention-compare", newcomer, second.pk), {"with": "x"})
    assert missing.status_code == 404


def test_a_file_shows_its_difference_and_becomes_the_draft(lead: Membership, crate: Crate) -> None:
    client, address = signed_in(lead), at("convention-import", lead)

    def chosen(content: bytes, **more: Any) -> Any:
        return client.post(address, {"document": SimpleUploadedFile("theirs.json", content), **more})

    wrong = chosen(b'{"name": "Theirs"}')
    assert wrong.status_code == 422
    assert "The whole document lacks “slots”" in wrong.content.decode()
    assert client.post(address, {}).status_code == 422
    theirs = {**SWAPPED, "name": "Theirs"}
    shown = chosen(json.dumps(theirs).encode()).content.decode()
    assert "Number 4 instead of 6" in shown
    assert "the next version of “House”" in shown
    assert draft_of(lead) is None, "looking changes nothing"
    taken = {"do": "take", "text": json.dumps(theirs), "seen_revision": "0"}
    assert client.post(address, {**taken, "name": "ours"}).url == at("convention-publish", lead)  # type: ignore[attr-defined]  # a redirect has one
    assert convention_draft_for(lead).document == {**theirs, "name": "House"}
    client.post(address, {**taken, "name": "theirs"})
    assert convention_draft_for(lead).document["name"] == "House", "somebody else's draft is not replaced unseen"
    client.post(address, {**taken, "name": "theirs", "seen_revision": "1"})
    assert convention_draft_for(lead).document == theirs
    assert current_version(lead) == crate.convention_version


def test_what_is_downloaded_can_be_taken_in_elsewhere(lead: Membership, crate: Crate) -> None:
    file = signed_in(lead).get(at("convention-document", lead, crate.convention_version.pk)).content
    other = factories.crew_with()
    assert "A convention of its own" not in body(other, "convention-import")
    signed_in(other).post(at("convention-import", other), {"do": "take", "text": file.decode(), "seen_revision": "0"})
    assert convention_draft_for(other).document == json.loads(file)


def test_a_re_check_is_closed_on_its_page(
    lead: Membership, resident: Membership, newcomer: Membership, sheet: SheetVersion
) -> None:
    version = publish_document(member=lead, document=changed((7, {"required": True})))
    recheck = Recheck.objects.get()
    address = at("recheck-close", resident, version.pk, recheck.pk)
    assert "Still right" not in body(newcomer, "rechecks", version.pk)
    assert "Write" not in signed_in(resident).get(at("rechecks", resident, version.pk)).content.decode()
    empty = signed_in(resident).post(address, {"note": ""}, follow=True).content.decode()
    assert "Say in a few words why" in empty
    signed_in(resident).post(address, {"note": "Nobody sings."})
    page = body(newcomer, "rechecks", version.pk)
    assert "All 1 sheet looked at" in page
    assert "“Nobody sings.”" in page
    assert "still right: Nobody sings." in body(newcomer, "crew-home")
    other = at("recheck-close", resident, sheet.convention_version_id, recheck.pk)
    assert signed_in(resident).post(other, {"note": "x"}).status_code == 404


def test_a_moved_crates_track_starts_from_its_sheet_carried_over(
    lead: Membership, resident: Membership, sheet: SheetVersion, crate: Crate
) -> None:
    beats = factories.analysis_result().beats_us
    pending = factories.proposal(resident, into=crate)
    document = changed((4, {"number": 6}), (6, {"number": 4}), leave_out=(5,))
    document["slots"].append({**convention_document()["slots"][6], "number": 9, "name": "Bells"})
    version = publish_document(member=lead, document=document)
    listed = body(resident, "rechecks", version.pk)
    assert f"Its crate “{crate.name}” follows “House v1”" in listed
    preview = body(resident, "crate-move", crate.pk, to=version.pk)
    assert "Slot 4, First drop, is slot 6 now." in preview
    assert "1 track has a pending proposal" in preview
    seen = {"to": str(version.pk), "seen": str(crate.convention_version_id)}
    moved = signed_in(resident).post(at("crate-move", resident, crate.pk), seen, follow=True).content.decode()
    assert "1 sheet needs a look" in moved
    crate.refresh_from_db()
    again = signed_in(resident).post(at("crate-move", resident, crate.pk), seen, follow=True).content.decode()
    assert "follows “House v2” already" in again
    desk = desk_for(sheet.track, crate, sheet.analysis)
    assert (desk.start, desk.version) == ("carried", version)
    assert {marker.slot: marker.start_us for marker in desk.markers} == {
        1: beats[0], 2: beats[16 * 4], 3: beats[32 * 4], 4: beats[72 * 4], 6: beats[40 * 4], 8: beats[88 * 4],
    }  # fmt: skip
    page = body(resident, "track-page", crate.pk, sheet.track_id)
    assert "Carried over from sheet version 1" in page
    form = {f"start-{number}": "" for number in range(1, 10)} | {
        f"start-{line.slot.number}": line.start_text for line in desk.lines() if line.start_text
    }
    form |= {"seen_sheet": "1", "override_reason": "made up", "end-8": next(
        line.end_text for line in desk.lines() if line.slot.number == 8)}  # fmt: skip
    sent = signed_in(resident).post(at("track-page", resident, crate.pk, sheet.track_id), form)
    assert sent.status_code == 302
    proposal = Proposal.objects.get(track=sheet.track_id, state="open")
    assert proposal.convention_version == version
    assert "Nothing changed from version 1" in body(lead, "queue")
    assert desk_for(pending.track, crate, pending.analysis).version == pending.convention_version


def test_a_sheet_that_keeps_its_meaning_stays_the_sheet(
    lead: Membership, resident: Membership, sheet: SheetVersion, crate: Crate
) -> None:
    version = publish_document(member=lead, document=changed((1, {"name": "Way in"}), leave_out=(7,)))
    seen = {"to": str(version.pk), "seen": str(crate.convention_version_id)}
    moved = signed_in(resident).post(at("crate-move", resident, crate.pk), seen, follow=True).content.decode()
    assert "Every sheet keeps its meaning" in moved
    crate.refresh_from_db()
    desk = desk_for(sheet.track, crate, sheet.analysis)
    assert (desk.start, desk.version, len(desk.markers)) == ("sheet", version, 7)
    page = body(resident, "track-page", crate.pk, sheet.track_id)
    assert "Sheet version 1 is approved" in page
    assert "It follows “House v1” and keeps its meaning under this crate" in page


def test_an_approved_carried_sheet_closes_the_re_check(
    lead: Membership, resident: Membership, sheet: SheetVersion, crate: Crate
) -> None:
    version = publish_document(member=lead, document=SWAPPED)
    approved(lead, resident, crate, made=sheet.track, version=version)
    page = body(resident, "rechecks", version.pk)
    assert "All 1 sheet looked at" in page
    assert "New sheet approved" in page


def test_programs_write_publish_and_close(
    lead: Membership, resident: Membership, newcomer: Membership, sheet: SheetVersion, crate: Crate
) -> None:
    client = Client()
    client.force_login(lead.user)
    base = f"/api/v1/crews/{lead.crew.slug}/"

    def ask(method: str, path: str, given: Any = None, *, seen: int | None = None, by: Client = client) -> Any:
        headers = {} if seen is None else {"If-Match": f'"{seen}"'}
        answer = getattr(by, method)(base + path, given, content_type="application/json", headers=headers) if (
            method != "get") else by.get(base + path)  # fmt: skip
        check(method.upper(), base + path, answer)
        return answer

    assert ask("get", "convention-draft/").status_code == 404
    assert ask("put", "convention-draft/", SWAPPED).json()["revision"] == 1
    assert ask("put", "convention-draft/", SWAPPED).status_code == 428
    assert ask("put", "convention-draft/", SWAPPED, seen=4).json()["code"] == "convention:other-revision"
    twice = {**SWAPPED, "slots": [SWAPPED["slots"][0], *SWAPPED["slots"]]}
    assert ask("put", "convention-draft/", twice, seen=1).status_code == 422
    assert ask("get", "convention-draft/").json()["document"] == SWAPPED
    effect = ask("get", "convention-draft/effect/").json()
    assert [change["kinds"] for change in effect["changes"]] == [["renumbered"], ["renumbered"]]
    assert (effect["effect"]["kept"], effect["effect"]["touched"][0]["track"]) == (0, str(sheet.track_id))
    version = ask("post", "convention-draft/publish/", seen=1).json()
    assert (version["version"], version["document"]) == (2, SWAPPED)
    assert ask("post", "convention-draft/publish/", seen=1).status_code == 404
    compared = ask("get", f"conventions/{version['id']}/compare/").json()
    assert [(one["old"]["number"], one["new"]["number"]) for one in compared] == [(6, 4), (4, 6)]
    assert ask("get", f"conventions/{version['id']}/compare/?with={version['id']}").json() == []
    lines = ask("get", f"conventions/{version['id']}/rechecks/?open=true").json()["results"]
    assert [line["sheet_version"] for line in lines] == [1]
    by_newcomer = Client()
    by_newcomer.force_login(newcomer.user)
    path = f"rechecks/{lines[0]['id']}/"
    assert ask("post", path, {"note": "fine"}, by=by_newcomer).status_code == 403
    assert ask("post", path, {}).status_code == 422
    assert ask("post", path, {"note": "fine"}).json()["ended"] == "still right"
    assert ask("post", path, {"note": "fine"}).status_code == 409
    assert ask("get", f"conventions/{version['id']}/rechecks/?open=true").json()["count"] == 0
    old = str(crate.convention_version_id)
    assert ask("get", f"crates/{crate.pk}/move/?to={version['id']}").json()["kept"] == 0
    move = {"to": version["id"], "seen": old}
    assert ask("post", f"crates/{crate.pk}/move/", move, by=by_newcomer).status_code == 403
    assert ask("post", f"crates/{crate.pk}/move/", move).json()["convention"]["id"] == version["id"]
    assert ask("post", f"crates/{crate.pk}/move/", move).status_code == 409
    stale = ask("post", "conventions/", {**convention_document(slots=6), "follows": old})
    assert (stale.status_code, stale.json()["code"]) == (409, "convention:newer")
    fresh = ask("post", "conventions/", {**convention_document(slots=6), "follows": version["id"]})
    assert fresh.status_code == 201
    assert ask("put", "convention-draft/", SWAPPED).status_code == 200
    ask("post", "conventions/", convention_document(slots=7))
    assert ask("post", "convention-draft/publish/", seen=1).json()["code"] == "convention:newer"
    assert ask("post", "convention-draft/renew/", seen=1).json()["revision"] == 2
    assert ask("delete", "convention-draft/", seen=2).status_code == 204
    by_resident = Client()
    by_resident.force_login(resident.user)
    assert ask("get", "convention-draft/", by=by_resident).status_code == 403


def test_a_crate_that_moved_says_which_sheets_wait_to_be_checked_again(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    approved(lead, resident, crate)
    client = signed_in(lead)
    assert "1 track: 1 approved" in client.get(at("crate", lead, crate.pk)).content.decode()
    document = convention_document()
    document["slots"][7] |= {"loop_bars": 8}
    version = publish_document(member=lead, document=document)
    move_crate(member=lead, crate=crate, version=version, seen_version=crate.convention_version)

    page = client.get(at("crate", lead, crate.pk)).content.decode()
    assert "1 track: 1 to check again" in page
    assert "version 1 is by “House v1”" in page
    assert "No sheet approved yet" in client.get(at("crew-home", lead)).content.decode()

    still_right(member=lead, recheck=Recheck.objects.get(convention_version=version), note="Four bars are enough here.")
    page = client.get(at("crate", lead, crate.pk)).content.decode()
    assert "1 track: 1 approved" in page
    assert "Approved, version 1" in page
    assert "Every track has its sheet" in client.get(at("crew-home", lead)).content.decode()
