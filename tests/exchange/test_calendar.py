"""The calendar against RFC 5545, read back by readers that did not write it: vobject and dateutil."""

from __future__ import annotations

import datetime as dt
import io
import re
from zoneinfo import ZoneInfo

import pytest
import vobject
from dateutil import tz

from crewprep.common.errors import NotFound
from crewprep.crates.models import Night
from crewprep.crates.nights import NightPlan, edit_night, local_moment, make_night
from crewprep.crews.models import Membership
from crewprep.exchange.calendar import calendar_by_feed, calendar_of, render
from crewprep.models import Activity, CalendarFeed
from crewprep.readiness.services import give_feed, withdraw_feed
from tests import factories

BERLIN = "Europe/Berlin"
LONG = "Nacht im Gerberhof; Höfe, Keller & Dach – " + "ä🎛" * 12


def board(night: Night) -> str:
    return f"https://crew.example/c/demo/nights/{night.pk}/"


def nights() -> list[Night]:
    """One of a whole day; one with doors on the night in which the clocks go forward, its deadline before."""
    plain = Night(name="Barge", date=dt.date(2027, 12, 31))
    timed = Night(
        name=LONG, date=dt.date(2027, 3, 28), doors_at=dt.time(4), time_zone=BERLIN, revision=3,
        ready_by=local_moment(dt.date(2027, 3, 27), dt.time(18, 30), BERLIN),
    )  # fmt: skip
    return [plain, timed]


def lines(content: bytes) -> list[str]:
    """Content lines, unfolded (RFC 5545, 3.1)."""
    return content.decode().replace("\r\n ", "").split("\r\n")


def events(content: bytes) -> dict[str, dict[str, str]]:
    """Each event's properties by its summary, as text."""
    found = {}
    for block in re.findall(r"BEGIN:VEVENT\n(.*?)END:VEVENT", "\n".join(lines(content)), re.DOTALL):
        own = re.sub(r"BEGIN:VALARM\n.*?END:VALARM\n", "", block, flags=re.DOTALL)
        values = dict(line.split(":", 1) for line in own.splitlines())
        found[values["SUMMARY"]] = values
    return found


def test_lines_are_folded_by_octets_and_end_in_crlf() -> None:
    """RFC 5545, 3.1: lines of at most 75 octets without the break; CRLF; no character is torn."""
    content = render("Crew", nights(), board)
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    physical = content.split(b"\r\n")
    assert max(len(line) for line in physical) <= 75
    assert any(line.startswith(b" ") for line in physical)
    for line in physical:
        line.decode()


def test_text_is_escaped() -> None:
    """RFC 5545, 3.3.11: backslash, semicolon, comma and newline."""
    night = Night(name="a,b;c\\d\ne", date=dt.date(2027, 1, 1))
    content = render("Crew", [night], board)
    assert "SUMMARY:a\\,b\\;c\\\\d\\ne" in lines(content)
    assert vobject.readOne(content.decode()).vevent.summary.value == night.name


def test_what_every_calendar_and_event_must_have() -> None:
    """RFC 5545, 3.6 and 3.6.1: PRODID and VERSION once; DTSTAMP, UID and DTSTART in each event; UIDs are unique."""
    content = render("Crew", nights(), board)
    found = lines(content)
    assert found[0] == "BEGIN:VCALENDAR"
    assert found.count("VERSION:2.0") == 1
    assert sum(line.startswith("PRODID:") for line in found) == 1
    told = events(content)
    assert len(told) == 3
    for values in told.values():
        assert {"DTSTAMP", "UID", "LAST-MODIFIED", "SEQUENCE", "URL"} <= set(values)
        assert values["DTSTAMP"] == values["LAST-MODIFIED"]  # 3.8.7.2: without METHOD both are of the last change
        assert re.fullmatch(r"\d{8}T\d{6}Z", values["DTSTAMP"])
    assert len({values["UID"] for values in told.values()}) == 3
    again = events(render("Crew", nights()[:1], board))  # other rows, other names
    assert again["Barge"]["UID"] not in {values["UID"] for values in told.values()}


def test_a_whole_day_ends_on_the_next() -> None:
    """RFC 5545, 3.6.1: DTEND is not part of the event; both are dates."""
    told = events(render("Crew", nights(), board))["Barge"]
    assert told["DTSTART;VALUE=DATE"] == "20271231"
    assert told["DTEND;VALUE=DATE"] == "20280101"


def test_vobject_reads_what_was_meant() -> None:
    plain, timed = nights()
    calendar = vobject.readOne(render("Crew", [plain, timed], board).decode())
    calendar.validate()
    read = {event.uid.value: event for event in calendar.vevent_list}
    assert len(read) == 3
    whole = read[str(plain.pk)]
    assert (whole.dtstart.value, whole.dtend.value) == (dt.date(2027, 12, 31), dt.date(2028, 1, 1))
    night = read[str(timed.pk)]
    assert night.summary.value == LONG
    assert night.url.value == board(timed)
    assert night.sequence.value == "2"
    assert night.dtstart.value == dt.datetime(2027, 3, 28, 2, tzinfo=dt.UTC)  # 04:00 in Berlin, after the clocks moved
    (deadline,) = [event for event in read.values() if "valarm" in event.contents]
    assert deadline.dtstart.value == dt.datetime(2027, 3, 27, 17, 30, tzinfo=dt.UTC)
    alarms = [(alarm.action.value, alarm.trigger.value) for alarm in deadline.valarm_list]
    assert alarms == [("DISPLAY", dt.timedelta(days=-1)), ("DISPLAY", dt.timedelta(hours=-2))]
    assert all(alarm.description.value for alarm in deadline.valarm_list)  # RFC 5545, 3.6.6: DISPLAY asks for one


@pytest.mark.parametrize(
    "name", [BERLIN, "America/Santiago", "Australia/Lord_Howe", "Asia/Kolkata", "Africa/Casablanca", "UTC"]
)
def test_dateutil_finds_the_clocks_right_at_every_hour(name: str) -> None:
    """RFC 5545, 3.6.5. Lord Howe moves by half an hour, Casablanca around Ramadan, Santiago in April and September."""
    night = Night(name="x", date=dt.date(2027, 6, 1), doors_at=dt.time(22), time_zone=name)
    content = render("Crew", [night], board).decode()
    read = tz.tzical(io.StringIO(content)).get(name)
    zone = ZoneInfo(name)
    hour = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    wrong = []
    while hour < dt.datetime(2028, 1, 1, tzinfo=dt.UTC):
        local = hour.astimezone(zone)
        # dateutil knows no fold here; hours that come twice are left out.
        naive = local.replace(tzinfo=None)
        once = naive.replace(tzinfo=zone, fold=0).utcoffset() == naive.replace(tzinfo=zone, fold=1).utcoffset()
        if once and naive.replace(tzinfo=read).utcoffset() != local.utcoffset():
            wrong.append(local)
        hour += dt.timedelta(hours=1)
    assert wrong == []


def test_an_onset_is_told_by_the_clocks_before_it() -> None:
    """RFC 5545, 3.6.5. Summer time in the European Union begins at 01:00 UTC, 02:00 by the clocks of Berlin."""
    text = "\n".join(lines(render("Crew", nights(), board)))
    begun = "BEGIN:DAYLIGHT\nDTSTART:20270328T020000\nTZNAME:CEST\nTZOFFSETFROM:+0100\nTZOFFSETTO:+0200\nEND:DAYLIGHT"
    assert begun in text


def test_a_calendar_without_nights_is_one_still() -> None:
    """RFC 5545, 3.4: a calendar has at least one component."""
    calendar = vobject.readOne(render("Crew", [], board).decode())
    assert calendar.prodid.value
    assert [component.name for component in calendar.components()] == ["VTIMEZONE"]


@pytest.mark.django_db
def test_a_change_raises_the_sequence_and_keeps_the_uid(lead: Membership) -> None:
    plan = NightPlan("Barge", dt.datetime.now(dt.UTC).date() + dt.timedelta(days=9), time_zone=BERLIN)
    night = make_night(member=lead, plan=plan)
    before = calendar_of(lead, board)
    assert calendar_of(lead, board) == before
    edit_night(
        member=lead, night=night, seen_revision=1,
        plan=NightPlan("Barge", plan.date, dt.time(21), BERLIN, local_moment(plan.date, dt.time(9), BERLIN)),
    )  # fmt: skip
    after = calendar_of(lead, board)
    assert after.tag != before.tag
    old, new = events(before.content)["Barge"], events(after.content)["Barge"]
    assert old["UID"] == new["UID"]
    assert (old["SEQUENCE"], new["SEQUENCE"]) == ("0", "1")


@pytest.mark.django_db
def test_an_address_reads_until_it_is_renewed_withdrawn_or_its_member_leaves(lead: Membership) -> None:
    member = factories.member_of(lead.crew)
    first = give_feed(member=member)
    assert calendar_by_feed(first, board).content
    assert first not in str(CalendarFeed.objects.values().get())
    assert len(first) >= 43  # 256 random bits
    second = give_feed(member=member)
    with pytest.raises(NotFound):
        calendar_by_feed(first, board)
    assert calendar_by_feed(second, board).content
    withdraw_feed(member=member)
    with pytest.raises(NotFound):
        calendar_by_feed(second, board)
    with pytest.raises(NotFound) as none:
        withdraw_feed(member=member)
    assert none.value.code == "feed:none"
    third = give_feed(member=member)
    verbs = Activity.objects.filter(subject_kind="calendarfeed").order_by("created_at").values_list("verb", flat=True)
    assert list(verbs) == [
        "calendar address given", "calendar address renewed", "calendar address withdrawn", "calendar address given",
    ]  # fmt: skip
    member.user.is_active = False
    member.user.save()
    with pytest.raises(NotFound):
        calendar_by_feed(third, board)
    member.user.is_active = True
    member.user.save()
    assert calendar_by_feed(third, board).content
    member.delete()
    with pytest.raises(NotFound):
        calendar_by_feed(third, board)


@pytest.mark.django_db
def test_a_calendar_holds_ones_own_crew_alone(lead: Membership) -> None:
    other = factories.crew_with()
    today = dt.datetime.now(dt.UTC).date()
    make_night(member=other, plan=NightPlan("Elsewhere", today))
    make_night(member=lead, plan=NightPlan("Here", today))
    assert set(events(calendar_of(lead, board).content)) == {"Here"}
