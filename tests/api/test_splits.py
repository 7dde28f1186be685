"""Programs look at a split, apply it over the revision that they saw, and divide again; held to the document."""

from __future__ import annotations

import pytest

from tests import factories

pytestmark = pytest.mark.django_db


def test_a_crate_is_split_and_split_again(crewed, as_member):
    tracks = [factories.analysed_track(crewed.lead, crewed.crate) for _ in range(4)]
    for track in tracks:
        factories.draft(track, crewed.convention)
    base = f"{crewed.base}crates/{crewed.crate.pk}/"
    lead, resident = as_member(crewed.lead), as_member(crewed.author)
    people = [crewed.lead, crewed.author, crewed.newcomer]
    free = [{"member": one.user.username, "minutes": 200} for one in people]

    estimates = resident.get(f"{base}estimates/").json()
    assert (estimates["factor"], estimates["recorded_tracks"], len(estimates["tracks"])) == (1.0, 0, 4)
    first = estimates["tracks"][0]
    assert first["prepare_minutes"] == round(sum(part["minutes"] for part in first["parts"]))

    assert resident.get(f"{base}split/").json()["revision"] == 0
    looked = resident.post(f"{base}split/preview/", {"free": free}).json()
    assert looked["without_preparer"] == looked["without_reviewer"] == []
    assert all(load["over_minutes"] == 0 for load in looked["members"])
    wanted = [
        {"track": one["track"], "preparer": one["preparer"]["username"], "reviewer": one["reviewer"]["username"]}
        for one in looked["tracks"]
    ]
    body = {"tracks": wanted, "free": free}
    assert lead.put(f"{base}split/", body).status_code == 428
    assert lead.put(f"{base}split/", body, revision=3).json()["code"] == "split:other-revision"
    assert resident.put(f"{base}split/", body, revision=0).status_code == 403
    applied = lead.put(f"{base}split/", body, revision=0).json()
    assert applied["revision"] == 1
    assert applied["tracks"] == looked["tracks"]

    out = crewed.newcomer.user.username
    assert resident.post(f"{base}split/drop-out/", {"member": out}, revision=1).status_code == 403
    assert lead.post(f"{base}split/drop-out/", {"member": "nobody"}, revision=1).status_code == 404
    again = lead.post(f"{base}split/drop-out/", {"member": out}, revision=1).json()
    assert again["revision"] == 2
    assert out not in {one["preparer"]["username"] for one in again["tracks"]}
    for before, after in zip(applied["tracks"], again["tracks"], strict=True):
        assert before["preparer"]["username"] == out or before == after


def test_what_cannot_be_a_split_is_refused(crewed, as_member):
    track = factories.analysed_track(crewed.lead, crewed.crate)
    lead = as_member(crewed.lead)
    url = f"{crewed.base}crates/{crewed.crate.pk}/split/"
    name = crewed.lead.user.username

    def put(**share):
        return lead.put(url, {"tracks": [{"track": str(track.pk), **share}]}, revision=0)

    assert put(preparer=name, reviewer=name).json()["code"] == "split:own"
    assert put(preparer=None, reviewer=crewed.newcomer.user.username).json()["code"] == "split:not-yet"
    assert put(preparer="nobody", reviewer=None).status_code == 404
    assert lead.post(f"{url}preview/", {"free": [{"member": name, "minutes": 20_000}]}).status_code in (400, 422)
    assert put(preparer=name, reviewer=None).status_code == 200
