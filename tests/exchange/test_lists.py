"""Lists of tracks from elsewhere: read, mapped, looked at, applied in one piece or not at all."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from analysis_worker.core.text import clean_text
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.conventions.selectors import current_version
from crewprep.crews.models import Membership, Role
from crewprep.exchange import lists, sheet_csv, sheet_json
from crewprep.exchange.list_columns import ListMapping, check_mapping, guess, parse_time
from crewprep.exchange.list_plan import Plan
from crewprep.exchange.list_reading import MAX_BYTES, decode, read_table, undefuse
from crewprep.exchange.list_wrong_csv import wrong_file
from crewprep.exchange.lists import apply_list, bring_list, discard_list, list_for, look_at, map_list
from crewprep.exchange.models import ListImport, ListState
from crewprep.sheets.keeping import keep_sheet, kept_sheet
from crewprep.sheets.models import KeptSheet, SheetMarker
from crewprep.tracks.models import Copy, Track
from crewprep.tracks.tags import Tags, edit_tags
from tests import factories
from tests.exchange.test_sheet_files import COPY, marker_sets, sheet_of, texts

# Reading. The layout of lines is RFC 4180.


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize(
    ("encoding", "told"), [("utf-8", "UTF-8"), ("utf-8-sig", "UTF-8"), ("utf-16", "UTF-16"), ("latin-1", "Latin-1")]
)
@pytest.mark.parametrize("newline", ["\r\n", "\n"])
def test_delimiter_and_encoding_are_found(delimiter: str, encoding: str, told: str, newline: str) -> None:
    lines = [["title", "artist", "slot 1"], ["Müde Straße", "Ünal", "1.5"], [f'"a{delimiter} ""b"""', "c", "2"]]
    content = newline.join(delimiter.join(line) for line in lines).encode(encoding)
    text, found = decode(content)
    table = read_table(text)
    assert (found, table.delimiter) == (told, delimiter)
    assert table.header == ("title", "artist", "slot 1")
    assert [row.cells for row in table.rows] == [("Müde Straße", "Ünal", "1.5"), (f'a{delimiter} "b"', "c", "2")]


def test_lines_are_numbered_as_an_editor_numbers_them() -> None:
    table = read_table('title,note\r\n\r\na,"two\r\nlines"\r\nb,x,too,many\r\nc\r\n')
    assert [(row.line, row.cells, row.extra) for row in table.rows] == [
        (3, ("a", "two\r\nlines"), 0),
        (5, ("b", "x"), 2),
        (6, ("c", ""), 0),
    ]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "list:empty"),
        (b"title,artist\n", "list:empty"),
        (b"title\n" + b"x" * MAX_BYTES, "list:too-large"),
        (b"RIFF\x00\x00\x00\x00WAVE", "list:not-text"),
        (b'title\n"never closed', "list:malformed"),
        (b'title\n"a"b,c\n', "list:malformed"),
        (b"title\n" + b"a\n" * 5_001, "list:too-long"),
        (b"title\n" + b"x" * 2_001, "list:long-cell"),
        (b"a" + b",b" * 100 + b"\n1\n", "list:too-wide"),
    ],
)
def test_what_is_no_list_is_refused_with_its_line(content: bytes, code: str) -> None:
    with pytest.raises(Invalid) as refusal:
        read_table(decode(content)[0])
    assert refusal.value.code == code
    if code == "list:malformed":
        assert "Line 2" in refusal.value.sentence


@given(texts)
def test_every_text_of_ours_comes_back_and_foreign_apostrophes_stay(text: str) -> None:
    assert undefuse(sheet_csv.defuse(text)) == text
    if text[:1].isalpha():
        assert undefuse(f"'{text}") == f"'{text}"


# Columns.


def slots_of(member: Membership) -> list[Any]:
    version = current_version(member)
    assert version is not None
    return list(version.slots.all())


@pytest.mark.django_db
def test_columns_are_guessed_by_their_names(lead: Membership) -> None:
    factories.convention(lead)
    header = [
        "Filename",
        "Track Title",
        "ARTIST",
        "First drop",
        "Slot 8",
        "slot 8 end",
        "Marker 2 (ms)",
        "BPM",
        "slot 99",
    ]
    mapping = guess(header, [["a.wav", "A", "B", "1:01.5", "2:00", "2:08", "0:30", "128", "1"]], slots_of(lead))
    assert mapping.columns == ("file", "title", "artist", "start:4", "start:8", "end:8", "start:2", "", "")
    assert mapping.unit == "clock"
    assert guess(["title", "start ms"], [["a", "5"]], slots_of(lead)).unit == "ms"
    assert guess(["title", "start"], [["a", "61000"]], slots_of(lead)).unit == "ms"
    assert guess(["title", "start"], [["a", "61,5"]], slots_of(lead)).unit == "s"
    assert guess(["title", "name"], [], slots_of(lead)).columns == ("title", "")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("columns", "code"),
    [
        (("title", "title"), "list:role-twice"),
        (("artist", "start:1"), "list:no-name"),
        (("title", "slot"), "list:half-marker"),
        (("title", "end:1"), "list:unknown-role"),
        (("title", "start:9"), "list:unknown-role"),
        (("title",), "list:unknown-role"),
    ],
)
def test_columns_that_cannot_be_read_together(lead: Membership, columns: tuple[str, ...], code: str) -> None:
    factories.convention(lead)
    with pytest.raises(Invalid) as refusal:
        check_mapping(ListMapping(columns), 2, slots_of(lead))
    assert refusal.value.code == code


@pytest.mark.parametrize(
    ("text", "unit", "time_us"),
    [
        ("61.25", "s", 61_250_000), ("61,25", "s", 61_250_000), ("0.000001", "s", 1), (" 7 ", "s", 7_000_000),
        ("1:01.250", "clock", 61_250_000), ("1:02:03", "clock", 3_723_000_000), ("61250", "ms", 61_250_000),
        ("61250.5", "ms", 61_250_500), ("1:01", "s", None), ("-1", "s", None), ("1e3", "s", None), ("", "s", None),
        ("=1+1", "s", None), ("999999999999", "s", None), ("1.2.3", "ms", None), ("١", "s", None),
    ],
)  # fmt: skip
def test_times(text: str, unit: str, time_us: int | None) -> None:
    assert parse_time(text, unit) == time_us


# What a list does.


class Library:
    """Three analysed tracks; the first two with tags."""

    def __init__(self, lead: Membership) -> None:
        self.lead = lead
        self.crate = factories.crate(lead)
        self.tracks = [factories.analysed_track(lead, self.crate) for _ in range(3)]
        for number, (track, title) in enumerate(zip(self.tracks, ("Warm Rain", "Cold Rain", "Cold Rain"), strict=True)):
            Track.objects.filter(pk=track.pk).update(title=title, artist=f"Lamp {number}")
            Copy.objects.filter(track=track).update(original_name=f"{number}.wav", pcm_sha256=str(number) * 64)
            track.refresh_from_db()

    def bring(self, text: str, **changes: Any) -> ListImport:
        row = bring_list(member=self.lead, name="old.csv", content=text.encode())
        if changes:
            mapping = ListMapping.of({**row.mapping, **changes})
            map_list(member=self.lead, row=row, mapping=mapping, version=row.convention_version)
        return row

    def plan(self, row: ListImport) -> Plan:
        looked = look_at(self.lead, row)
        assert looked.plan is not None, looked.problem
        return looked.plan

    def problems(self, text: str, **changes: Any) -> dict[int, str]:
        return {line.number: line.problem for line in self.plan(self.bring(text, **changes)).wrong}

    def kept(self, number: int) -> list[dict[str, Any]]:
        kept = kept_sheet(self.lead, self.tracks[number], self.crate.convention_version)
        return [] if kept is None else kept.markers


@pytest.fixture
def library(lead: Membership) -> Library:
    return Library(lead)


@pytest.mark.django_db
def test_old_markers_become_unproposed_work_and_tags_are_written_in_one_go(library: Library) -> None:
    row = library.bring(
        "file;title;artist;slot 1;slot 8;slot 8 end\n"
        "C:\\music\\0.wav;Warm Rain (Long);Lamp 0;1,5;60;67,5\n"
        "1.flac;Cold Rain;Lamp 1;;61;\n"
    )
    plan = library.plan(row)
    assert plan.counts == {"lines": 2, "wrong": 0, "tags": 1, "tracks": 2, "markers": 3}
    assert (KeptSheet.objects.count(), Activity.objects.filter(verb="tags edited").count()) == (0, 0)

    counts = apply_list(member=library.lead, row=row, seen=plan.digest, leave_out=False)
    assert counts == plan.counts
    library.tracks[0].refresh_from_db()
    assert (library.tracks[0].title, library.tracks[0].tags_edited) == ("Warm Rain (Long)", True)
    assert library.kept(0) == [
        {"slot": 1, "start_us": 1_500_000, "end_us": None, "label": ""},
        {"slot": 8, "start_us": 60_000_000, "end_us": 67_500_000, "label": ""},
    ]
    (loop,) = library.kept(1)
    assert loop["end_us"] - loop["start_us"] == pytest.approx(16 * 60e6 / 128, abs=2)
    kept = KeptSheet.objects.get(track=library.tracks[0])
    assert (kept.note, kept.begun_from) == ("From the list “old.csv”", f"list/{row.pk}")
    row.refresh_from_db()
    assert (row.state, row.counts) == (ListState.APPLIED, counts)
    assert Activity.objects.get(verb="list applied").details["digest"] == plan.digest
    with pytest.raises(Conflict) as again:
        apply_list(member=library.lead, row=row, seen=plan.digest, leave_out=False)
    assert again.value.code == "list:settled"


@pytest.mark.django_db
def test_wrong_lines_are_told_by_line_and_a_tracks_lines_stand_together(library: Library) -> None:
    text = (
        "title,artist,slot,start\n"
        "Warm Rain,Lamp 0,1,1.5\n"
        "Warm Rain,Lamp 0,2,soon\n"
        "Cold Rain,Lamp 1,1,2\n"
        "Cold Rain,Lamp 2,9,2\n"
        "No Such,Lamp 1,1,2\n"
        "Cold Rain,,1,2\n"
        "Cold Rain,Lamp 1,1,3\n"
        ",,1,3\n"
        "Warm Rain,Lamp 0,3,3,4\n"
    )
    assert library.problems(text) == {
        2: "Left out with line 3, which is of the same track.",
        3: "“soon” is not a time in the unit that was chosen.",
        4: "Left out with line 8, which is of the same track.",
        5: "Slot 9 is not in the convention, which has slots 1 to 8.",
        6: "No track of the library fits “No Such by Lamp 1”. Bring its audio in first.",
        7: "No track of the library fits “Cold Rain”. Bring its audio in first.",
        8: "Slot 1 is marked twice; a slot holds one marker.",
        9: "It names no track.",
        10: "It has more cells than the first line names columns. Put quotes around commas.",
    }
    assert library.problems("title,slot 1\nCold Rain,1\n") == {
        2: "2 tracks of the library fit “Cold Rain”. Tell them apart by file name."
    }
    assert library.problems("title,slot 1\nWarm Rain,5000\n")[2].startswith("Slot 1 lies outside the audio")
    assert library.problems("file,title\n0.wav,A\n0.wav,B\n")[3] == "The lines of this track give it different tags."


@pytest.mark.django_db
def test_nothing_is_half_imported(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    row = library.bring("file,title,slot 1\n0.wav,New,1\n1.wav,Newer,1\n9.wav,x,1\n")
    digest = library.plan(row).digest
    with pytest.raises(Invalid) as wrong:
        apply_list(member=library.lead, row=row, seen=digest, leave_out=False)
    assert wrong.value.code == "list:wrong-lines"

    done: list[KeptSheet] = []

    def broken(**work: Any) -> Any:
        if done:
            raise RuntimeError("the second one fails")
        done.append(keep_sheet(**work))

    monkeypatch.setattr(lists, "keep_sheet", broken)
    with pytest.raises(RuntimeError):
        apply_list(member=library.lead, row=row, seen=digest, leave_out=True)
    monkeypatch.undo()
    assert len(done) == 1
    library.tracks[0].refresh_from_db()
    row.refresh_from_db()
    assert (library.tracks[0].title, KeptSheet.objects.count(), row.state) == ("Warm Rain", 0, ListState.OPEN)
    assert apply_list(member=library.lead, row=row, seen=digest, leave_out=True)["wrong"] == 1


@pytest.mark.django_db
def test_what_was_seen_is_what_is_applied(library: Library) -> None:
    row = library.bring("file,title\n0.wav,New\n")
    digest = library.plan(row).digest
    edit_tags(
        member=library.lead, track=library.tracks[0], seen=Tags("Warm Rain", "Lamp 0"), new=Tags("Mine", "Lamp 0")
    )
    with pytest.raises(Conflict) as changed:
        apply_list(member=library.lead, row=row, seen=digest, leave_out=True)
    assert changed.value.code == "list:changed"
    library.tracks[0].refresh_from_db()
    assert library.tracks[0].title == "Mine"
    apply_list(member=library.lead, row=row, seen=library.plan(row).digest, leave_out=True)

    other = library.bring("file,slot 1,slot 2\n1.wav,1,2\n")
    digest = library.plan(other).digest
    mapping = ListMapping.of({**other.mapping, "columns": ["file", "start:2", "start:1"]})
    map_list(member=library.lead, row=other, mapping=mapping, version=other.convention_version)
    with pytest.raises(Conflict):
        apply_list(member=library.lead, row=other, seen=digest, leave_out=True)
    assert not KeptSheet.objects.exists()


@pytest.mark.django_db
def test_work_that_is_there_already_is_never_written_over(library: Library) -> None:
    text = "file,slot 1\n0.wav,1\n"
    first = library.bring(text)
    apply_list(member=library.lead, row=first, seen=library.plan(first).digest, leave_out=False)
    assert library.problems(text) == {2: "You have unproposed work on this track. Propose it first, or clear it."}


@pytest.mark.django_db
def test_times_are_moved_and_pulled_to_the_grid(library: Library) -> None:
    """The factory's beats come at 250 ms and each 468.75 ms on; its slots snap to a quarter of a beat, loops to one."""
    text = "file,slot 1,slot 8,slot 8 beats\n0.wav,2120,60200,16\n"
    row = library.bring(text, unit="ms", shift_ms=-20, snap=True)
    (plan,) = library.plan(row).tracks
    first, loop = plan.markers
    assert first.start_us == 250_000 + 4 * 468_750 - 468_750 // 4 + 117_187
    assert loop.start_us == 250_000 + 128 * 468_750
    assert loop.end_us == 250_000 + 144 * 468_750
    (unmoved,) = library.plan(library.bring(text, unit="ms")).tracks
    assert unmoved.markers[0].start_us == 2_120_000
    early = library.bring("file,slot 1\n0.wav,5\n", unit="ms", shift_ms=-20)
    assert library.plan(early).wrong[0].problem.startswith("Slot 1 lies outside the audio")


@pytest.mark.django_db
def test_who_may(library: Library) -> None:
    newcomer = factories.member_of(library.lead.crew, Role.NEWCOMER)
    row = library.bring("file,title\n0.wav,New\n")
    digest = library.plan(row).digest
    with pytest.raises(Refused):
        apply_list(member=newcomer, row=row, seen=digest, leave_out=True)
    with pytest.raises(Refused):
        discard_list(member=newcomer, row=row)
    theirs = bring_list(member=newcomer, name="n.csv", content=b"file,title,slot 1\n0.wav,New,1\n")
    plan = look_at(newcomer, theirs).plan
    assert plan is not None
    assert "may write its tags" in plan.wrong[0].problem
    with pytest.raises(NotFound):
        list_for(factories.crew_with(), row.pk)
    discard_list(member=library.lead, row=row)
    with pytest.raises(Conflict):
        apply_list(member=library.lead, row=row, seen=digest, leave_out=True)


@pytest.mark.django_db
def test_wrong_lines_go_back_as_a_file_without_formulas(library: Library) -> None:
    row = library.bring('title,artist,note\n=HYPERLINK("x"),@a,+1\n')
    looked = look_at(library.lead, row)
    assert looked.plan is not None
    content = wrong_file(looked.table, looked.plan).decode()
    assert content.splitlines()[0] == "line,problem,title,artist,note"
    assert content.splitlines()[1].endswith('"\'=HYPERLINK(""x"")",\'@a,\'+1')


@pytest.mark.django_db
def test_sheets_that_left_as_csv_come_back_to_the_microsecond(library: Library) -> None:
    track = library.tracks[1]

    @settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
    @given(marker_sets().filter(lambda markers: not any("\0" in marker.label for marker in markers)))
    def comes_back(markers: list[SheetMarker]) -> None:
        sheet = sheet_of(markers, title=track.title, artist=track.artist)
        sheet.analysis.pcm_sha256 = "1" * 64
        content = sheet_csv.render(sheet_json.sheet_document(sheet, COPY))
        (plan,) = library.plan(bring_list(member=library.lead, name="sheet.csv", content=content)).tracks
        assert (plan.track, plan.tags) == (track, None)
        assert [(marker.slot, marker.start_us, marker.end_us, marker.label) for marker in plan.markers] == [
            (marker.slot, marker.start_us, marker.end_us, clean_text(marker.label)[:60]) for marker in markers
        ]

    comes_back()
