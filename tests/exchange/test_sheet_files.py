"""Approved sheets as files, read back by readers that are not ours: ``json`` with ``jsonschema``, and ``csv``.

Formula starts are those of OWASP, "CSV Injection" (= + - @ tab, carriage return, line feed and full-width forms); the
layout of lines is RFC 4180; the names of files in headers are RFC 6266.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
from typing import Any

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker

from crewprep.analysis.models import Analysis
from crewprep.common.errors import NotFound
from crewprep.conventions.models import Convention, ConventionVersion, Slot
from crewprep.crews.models import Membership, User
from crewprep.exchange import sheet_csv, sheet_json
from crewprep.exchange.selectors import sheet_document_for, sheet_file_for
from crewprep.review.services import approve_proposal
from crewprep.sheets.models import SheetMarker, SheetVersion
from crewprep.tracks.models import Copy, Track
from tests import factories
from tests.factories.music import analysis_result, convention_document

FORMULA_STARTS = "=+-@\t\r\n＝＋－＠"
RESULT = analysis_result()
DURATION_US = RESULT.duration_us


def validator() -> Draft202012Validator:
    Draft202012Validator.check_schema(sheet_json.schema())
    return Draft202012Validator(sheet_json.schema(), format_checker=FormatChecker())


def read_json(content: bytes) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(content.decode("utf-8"))
    validator().validate(document)
    return document


def read_csv(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))


# Made without a database: rows that were never saved, with markers by Hypothesis.

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=60)
points = st.integers(0, DURATION_US - 1)


@st.composite
def marker_sets(draw: st.DrawFn) -> list[SheetMarker]:
    slots = draw(st.lists(st.integers(1, 8), min_size=1, max_size=8, unique=True).map(sorted))
    markers = []
    for slot in slots:
        start = draw(points)
        end = draw(st.integers(start + 1, DURATION_US)) if slot == 8 else None
        markers.append(SheetMarker(slot=slot, start_us=start, end_us=end, label=draw(texts)))
    return markers


def sheet_of(markers: list[SheetMarker], title: str = "Tune", artist: str = "", name: str = "House") -> Any:
    version = ConventionVersion(convention=Convention(name=name), number=2)
    slots = [Slot(version=version, **slot) for slot in convention_document()["slots"]]
    version._prefetched_objects_cache = {"slots": slots}  # type: ignore[attr-defined]  # as prefetching leaves it

    sheet = SheetVersion(
        track=Track(title=title, artist=artist), number=3, convention_version=version,
        analysis=Analysis(
            pcm_sha256="0" * 64, duration_us=DURATION_US, tempo_bpm=128.0, key_name="A minor", facts=RESULT.to_facts()
        ),
        proposed_by=User(username="ann"), approved_by=User(username="bea"),
        created_at=dt.datetime(2027, 3, 5, 20, 0, tzinfo=dt.UTC),
    )  # fmt: skip
    sheet._prefetched_objects_cache = {"markers": markers}  # type: ignore[attr-defined]  # as prefetching leaves it
    return sheet


COPY = Copy(
    pcm_sha256="0" * 64, sample_rate=44_100, frames=DURATION_US * 441 // 10_000, channels=2, decoder="test",
    decoder_version="1", leading_trim_frames=0,
)  # fmt: skip


@given(marker_sets())
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_markers_survive_json_to_the_microsecond(markers: list[SheetMarker]) -> None:
    document = read_json(sheet_json.render(sheet_json.sheet_document(sheet_of(markers), COPY)))
    assert [
        (m["slot"], round(m["start_s"] * 1e6), None if m["end_s"] is None else round(m["end_s"] * 1e6), m["text"])
        for m in document["markers"]
    ] == [(m.slot, m.start_us, m.end_us, m.label) for m in markers]


@given(marker_sets())
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_markers_survive_csv_to_the_microsecond(markers: list[SheetMarker]) -> None:
    content = sheet_csv.render(sheet_json.sheet_document(sheet_of(markers), COPY))
    rows = read_csv(content)
    assert [(int(row["slot"]), round(float(row["start_s"]) * 1e6), row["kind"]) for row in rows] == [
        (m.slot, m.start_us, "loop" if m.end_us else "point") for m in markers
    ]
    assert [round(float(row["end_s"]) * 1e6) for row in rows if row["end_s"]] == [
        m.end_us for m in markers if m.end_us is not None
    ]
    assert [row["text"] for row in sheet_csv.read_rows(content)] == [m.label for m in markers]


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_every_text_comes_back_from_its_cell(text: str) -> None:
    assert sheet_csv.restore(sheet_csv.defuse(text)) == text


@given(st.sampled_from(FORMULA_STARTS), texts, st.text(" \t\x00\x1f\xa0", max_size=3))
def test_no_cell_starts_as_a_formula_does(start: str, rest: str, before: str) -> None:
    cell = sheet_csv.defuse(before + start + rest)
    assert cell[0] not in FORMULA_STARTS
    assert cell.lstrip(" \t\r\n\x00\x1f\xa0")[:1] not in set(FORMULA_STARTS)


def test_hostile_titles_leave_no_formula_in_the_file() -> None:
    hostile = ['=HYPERLINK("http://example.invalid")', "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "'=1", " =1", "＝1"]
    for text in hostile:
        sheet = sheet_of([SheetMarker(slot=1, start_us=0, label=text[:60])], title=text, artist=text, name=text)
        content = sheet_csv.render(sheet_json.sheet_document(sheet, COPY))
        cells = [cell for row in csv.reader(io.StringIO(content.decode(), newline="")) for cell in row]
        assert [cell for cell in cells if cell.lstrip()[:1] and cell.lstrip()[0] in FORMULA_STARTS] == []
        (row,) = sheet_csv.read_rows(content)
        assert (row["title"], row["artist"], row["convention"], row["text"]) == (text, text, text, text[:60])


def test_without_the_rule_the_same_check_finds_formulas(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet_csv, "defuse", lambda text: text)
    sheet = sheet_of([SheetMarker(slot=1, start_us=0)], title="=1+1")
    (row,) = read_csv(sheet_csv.render(sheet_json.sheet_document(sheet, COPY)))
    assert row["title"][0] in FORMULA_STARTS


def test_lines_and_quotes_are_those_of_rfc_4180() -> None:
    sheet = sheet_of([SheetMarker(slot=1, start_us=0, label='He said "now",\r\nthen nothing')])
    content = sheet_csv.render(sheet_json.sheet_document(sheet, COPY))
    assert content.endswith(b"\r\n")
    assert b'"He said ""now"",\r\nthen nothing"' in content
    assert not content.startswith(b"\xef\xbb\xbf")
    assert re.sub(rb"\r\n", b"", content).count(b"\n") == 0
    with pytest.raises(ValueError):
        sheet_csv.read_rows(b"slot,label\r\n")


def test_samples_are_given_only_for_the_decode_that_the_sheet_was_made_on() -> None:
    sheet = sheet_of([SheetMarker(slot=4, start_us=1_000_000)])
    (marker,) = sheet_json.sheet_document(sheet, COPY)["markers"]
    assert marker["start_sample"] == 44_100

    other = Copy(pcm_sha256="1" * 64, sample_rate=48_000, frames=1, decoder="other", decoder_version="2")
    document = read_json(sheet_json.render(sheet_json.sheet_document(sheet, other)))
    assert (document["markers"][0]["start_sample"], document["audio"]["sample_rate"]) == (None, None)
    assert document["audio"]["pcm_sha256"] == "0" * 64


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("markers", 0, "slot"), 0),
        (("markers", 0, "start_s"), -0.1),
        (("markers", 0, "kind"), "span"),
        (("markers", 0, "end_s"), 3.0),  # a point has no end
        (("markers", 0, "colour"), "mauve"),
        (("audio", "pcm_sha256"), "ABC"),
        (("audio", "time_zero"), "seconds"),
        (("sheet", "approved_at"), "yesterday"),
        (("key",), "H minor"),
        (("extra",), 1),
    ],
)
def test_the_schema_refuses_what_is_wrong(path: tuple[Any, ...], value: Any) -> None:
    document = sheet_json.sheet_document(sheet_of([SheetMarker(slot=4, start_us=1_000_000)]), COPY)
    assert validator().is_valid(document)
    place: Any = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert not validator().is_valid(document)


# With a database: the doors and the pages' addresses.


@pytest.fixture
def approved(db: None) -> tuple[Membership, SheetVersion]:
    lead = factories.crew_with()
    proposal = factories.proposal(factories.member_of(lead.crew), into=factories.crate(lead))
    return lead, approve_proposal(member=lead, proposal=proposal, seen_revision=1)


def test_the_document_of_an_approved_sheet(approved: tuple[Membership, SheetVersion]) -> None:
    lead, sheet = approved
    document = read_json(sheet_file_for(lead, sheet.track_id, "json").content)
    assert document["track"]["id"] == str(sheet.track_id)
    assert document["convention"] == {"name": "House", "version": 1}
    assert document["sheet"]["approved_by"] == str(lead.user)
    assert document["audio"]["time_zero"] == "seconds from the first sample of the gapless-trimmed decode"
    drop, loop = document["markers"][3], document["markers"][-1]
    # Bar 40 of 4/4 with phrases of 8 bars from the first beat: the first bar of the sixth phrase.
    assert (drop["label"], drop["address"], drop["function"]) == ("04 First drop", "6.1.1", "drop")
    assert (loop["label"], loop["kind"], loop["length_beats"]) == ("08 Exit loop [16 beats]", "loop", 16)


def test_versions_stay_as_they_were(approved: tuple[Membership, SheetVersion]) -> None:
    lead, first = approved
    author = factories.member_of(lead.crew)
    before = sheet_document_for(lead, first.track_id, 1)
    second = factories.proposal(author, made=first.track, into=factories.crate(lead))
    approve_proposal(member=lead, proposal=second, seen_revision=1)

    assert sheet_document_for(lead, first.track_id)["sheet"]["version"] == 2
    assert sheet_document_for(lead, first.track_id, 1) == before
    for absent in (0, 3, 2**31, 2**80):
        with pytest.raises(NotFound):
            sheet_document_for(lead, first.track_id, absent)


@pytest.mark.parametrize("form", ["json", "csv"])
def test_a_page_hands_out_the_file(form: str, approved: tuple[Membership, SheetVersion], client: Client) -> None:
    lead, sheet = approved
    Track.objects.filter(pk=sheet.track_id).update(title='Nº "1"/\\..', artist="")
    client.force_login(lead.user)
    url = f"/c/{lead.crew.slug}/tracks/{sheet.track_id}/sheet.{form}"

    answer = client.get(url)

    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"].startswith("attachment; filename*=utf-8''N%C2%BA")
    for unfit in ("/", "\\", '"'):
        assert unfit not in answer.headers["Content-Disposition"].partition("''")[2]
    assert answer.headers["Content-Type"].startswith({"json": "application/json", "csv": "text/csv"}[form])
    assert "no-store" in answer.headers["Cache-Control"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.content == sheet_file_for(lead, sheet.track_id, form).content
    assert client.get(f"{url}?version=1").content == answer.content
    for wrong in ("2", "0", "x", "-1", "9" * 40, "¹"):
        assert client.get(url, {"version": wrong}).status_code == 404
    assert client.post(url).status_code == 405


def test_a_sheet_is_its_crews_alone(approved: tuple[Membership, SheetVersion], client: Client) -> None:
    lead, sheet = approved
    stranger = factories.crew_with()
    with pytest.raises(NotFound):
        sheet_document_for(stranger, sheet.track_id)
    client.force_login(stranger.user)
    for crew in (lead.crew, stranger.crew):
        assert client.get(f"/c/{crew.slug}/tracks/{sheet.track_id}/sheet.csv").status_code == 404
