"""Calendar feeds against RFC 5545 (iCalendar), read back by a library that did not write them (vobject) and by hand.

Sections are those of RFC 5545 unless another is named. REFRESH-INTERVAL and NAME: RFC 7986, sections 5.7 and 5.1.
X-WR-CALNAME, X-WR-TIMEZONE and X-PUBLISHED-TTL are common practice of calendar programs.
"""

import datetime as dt
import re
from typing import Any

import pytest
import vobject

from scheduling.models import CalendarFeed
from scheduling.queries.feed_events import FeedEvent
from scheduling.services.feed_file import feed_file
from scheduling.services.feeds import feed_entries_refresh
from tests.factories import CooperativeFactory, PersonFactory

pytestmark = pytest.mark.django_db

NOW = dt.datetime(2026, 6, 8, 8, 0, 0, 123456, tzinfo=dt.UTC)
MOMENT = dt.datetime(2026, 10, 24, 22, 30, tzinfo=dt.UTC)  # 00:30 on the day on which clocks go back in Berlin
LONG = "Käfigen – ripe cells; caged, marked, kept warm\\kept still, " * 8 + "\nNext line."


@pytest.fixture
def feed() -> CalendarFeed:
    return CalendarFeed.objects.create(
        person=PersonFactory(), cooperative=CooperativeFactory(), token_hash="0" * 64, made_at=NOW
    )


def whole_days(**changes: Any) -> FeedEvent:
    fields: dict[str, Any] = {
        "key": "window-1", "title": "Rowan: ready for the bench", "text": "", "link": "/batches/1/",
        "start": dt.date(2026, 6, 8), "end": dt.date(2026, 6, 11), "alarms_min": [-360, 480],
    }  # fmt: skip
    return FeedEvent(**{**fields, **changes})


def moment(**changes: Any) -> FeedEvent:
    fields: dict[str, Any] = {
        "key": "first_co2-booking-1-s1", "title": "First CO2; Rowan, 6 queens", "text": LONG, "link": "",
        "start": MOMENT, "end": MOMENT + dt.timedelta(hours=1), "alarms_min": [-120, -30, 0],
    }  # fmt: skip
    return FeedEvent(**{**fields, **changes})


def file_of(feed: CalendarFeed, *events: FeedEvent, now: dt.datetime = NOW) -> bytes:
    return feed_file(feed, feed_entries_refresh(feed, events or (whole_days(), moment()), now=now))


def read(file: bytes) -> Any:
    return vobject.readOne(file.decode("utf-8"))


def unfolded(file: bytes) -> list[str]:
    """Section 3.1: a line break followed by one blank goes on."""
    return file.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")


def of(file: bytes, key: str) -> Any:
    return next(event for event in read(file).vevent_list if event.uid.value.startswith(key))


def test_lines_end_with_cr_lf_and_are_folded_at_75_octets(feed: CalendarFeed) -> None:
    """Section 3.1."""
    file = file_of(feed)
    assert file.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in file.replace(b"\r\n", b"")
    assert b"\r" not in file.replace(b"\r\n", b"")
    lines = file.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    assert sum(line.startswith(b" ") for line in lines) > 5
    for line in lines:
        line.decode("utf-8")  # no letter is cut in two


def test_the_calendar_object_says_what_it_is(feed: CalendarFeed) -> None:
    """Sections 3.4, 3.6, 3.7.1 to 3.7.4; RFC 7986, sections 5.1 and 5.7."""
    file = file_of(feed)
    calendar, lines = read(file), unfolded(file)
    assert (calendar.version.value, calendar.calscale.value, calendar.method.value) == ("2.0", "GREGORIAN", "PUBLISH")
    assert calendar.prodid.value.startswith("-//Broodtide//")
    assert {"NAME:Broodtide", "REFRESH-INTERVAL;VALUE=DURATION:PT1H", "X-PUBLISHED-TTL:PT1H"} <= set(lines)
    assert (calendar.x_wr_calname.value, calendar.x_wr_timezone.value) == ("Broodtide", "Europe/Berlin")
    first_event = lines.index("BEGIN:VEVENT")
    assert all(not line.startswith("METHOD") for line in lines[first_event:])


def test_an_empty_feed_is_still_a_calendar(feed: CalendarFeed) -> None:
    file = feed_file(feed, [])
    assert read(file).version.value == "2.0"
    assert b"VEVENT" not in file


def test_each_property_that_must_not_occur_twice_occurs_once(feed: CalendarFeed) -> None:
    """Section 3.6.1: UID and DTSTAMP must be there once; the others at most once; no DURATION beside DTEND."""
    blocks = re.findall(r"BEGIN:VEVENT\n(.*?)END:VEVENT", "\n".join(unfolded(file_of(feed))), flags=re.DOTALL)
    assert len(blocks) == 2
    for block in blocks:
        own = re.sub(r"BEGIN:VALARM.*?END:VALARM\n", "", block, flags=re.DOTALL)
        names = [re.split("[;:]", line)[0] for line in own.splitlines()]
        assert len(names) == len(set(names))
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "LAST-MODIFIED", "STATUS", "SUMMARY"} <= set(names)
        assert "DURATION" not in names


def test_whole_days_are_dates_and_the_end_is_not_part_of_them(feed: CalendarFeed) -> None:
    """Section 3.6.1: DTEND of VALUE=DATE is exclusive; sections 3.3.4 and 3.2.20."""
    file = file_of(feed)
    assert {"DTSTART;VALUE=DATE:20260608", "DTEND;VALUE=DATE:20260611"} <= set(unfolded(file))
    event = of(file, "window-1")
    assert (event.dtstart.value, event.dtend.value) == (dt.date(2026, 6, 8), dt.date(2026, 6, 11))


def test_moments_are_utc_across_the_change_of_the_clocks(feed: CalendarFeed) -> None:
    """Section 3.3.5, form 2: a moment of elapsed hours is the same instant in every zone, so no VTIMEZONE is needed."""
    file = file_of(feed)
    assert {"DTSTART:20261024T223000Z", "DTEND:20261024T233000Z"} <= set(unfolded(file))
    event = of(file, "first_co2")
    assert (event.dtstart.value, event.dtend.value) == (MOMENT, MOMENT + dt.timedelta(hours=1))
    assert b"TZID" not in file
    assert b"VTIMEZONE" not in file


def test_an_event_ends_after_it_begins(feed: CalendarFeed) -> None:
    """Section 3.8.2.2: DTEND must be later than DTSTART and of the same type."""
    for event in read(file_of(feed)).vevent_list:
        assert type(event.dtend.value) is type(event.dtstart.value)
        assert event.dtend.value > event.dtstart.value


def test_stamps_are_utc_without_fractions(feed: CalendarFeed) -> None:
    """Sections 3.8.7.1 to 3.8.7.3 and 3.3.5: CREATED, DTSTAMP and LAST-MODIFIED must be UTC."""
    stamps = [line for line in unfolded(file_of(feed)) if re.match("CREATED|DTSTAMP|LAST-MODIFIED", line)]
    assert len(stamps) == 6
    assert all(line.endswith(":20260608T080000Z") for line in stamps)


def test_text_comes_back_as_it_was(feed: CalendarFeed) -> None:
    """Section 3.3.11: backslash, semicolon, comma and line break are escaped; letters beyond ASCII are UTF-8."""
    event = of(file_of(feed), "first_co2")
    assert (event.summary.value, event.description.value) == ("First CO2; Rowan, 6 queens", LONG)


def test_a_uid_is_global_stays_and_is_never_shared(feed: CalendarFeed) -> None:
    """Section 3.8.4.7; RFC 7986, section 5.3: nothing in it tells of a machine or a person."""
    first = re.findall(rb"UID:(\S+)", file_of(feed))
    moved = moment(start=MOMENT + dt.timedelta(days=1), end=MOMENT + dt.timedelta(days=1, hours=1))
    assert re.findall(rb"UID:(\S+)", file_of(feed, whole_days(), moved)) == first
    assert len(set(first)) == 2
    assert all(uid.endswith(b"@broodtide") for uid in first)
    other = CalendarFeed.objects.create(person=PersonFactory(), cooperative=feed.cooperative, made_at=NOW)
    assert set(re.findall(rb"UID:(\S+)", file_of(other))).isdisjoint(first)


def test_sequence_and_last_modified_rise_with_each_change(feed: CalendarFeed) -> None:
    """Sections 3.8.7.4 and 3.8.7.3: begins with 0 and rises by one when a date changes."""
    seen: list[tuple[int, int]] = []
    for days in (0, 1, 1, 2):
        now = NOW + dt.timedelta(days=len(seen))
        start = MOMENT + dt.timedelta(days=days)
        event = of(file_of(feed, moment(start=start, end=start + dt.timedelta(hours=1)), now=now), "first_co2")
        seen.append((int(event.sequence.value), event.last_modified.value.day))
    assert seen == [(0, 8), (1, 9), (1, 9), (2, 11)]


def test_what_is_called_off_says_so_with_a_higher_number_and_no_alarm(feed: CalendarFeed) -> None:
    """Section 3.8.1.11."""
    file_of(feed)
    event = of(file_of(feed, whole_days(), now=NOW + dt.timedelta(days=1)), "first_co2")
    assert (event.status.value, event.sequence.value, "valarm" in event.contents) == ("CANCELLED", "1", False)
    assert of(file_of(feed, whole_days()), "window-1").status.value == "CONFIRMED"


def test_alarms_have_what_they_must_have(feed: CalendarFeed) -> None:
    """Section 3.6.6: DISPLAY needs ACTION, DESCRIPTION and TRIGGER; section 3.8.6.3: relative to the start."""
    event = of(file_of(feed), "first_co2")
    alarms = [(one.action.value, one.description.value, one.trigger.value) for one in event.valarm_list]
    assert alarms == [("DISPLAY", event.summary.value, dt.timedelta(minutes=-m)) for m in (120, 30, 0)]
    lines = unfolded(file_of(feed))
    assert [line for line in lines if line.startswith("TRIGGER")] == [
        "TRIGGER:-PT2H", "TRIGGER:-PT30M", "TRIGGER:P0D", "TRIGGER:-PT6H", "TRIGGER:PT8H",
    ]  # fmt: skip


def test_windows_leave_their_days_free_and_bench_days_do_not(feed: CalendarFeed) -> None:
    """Section 3.8.2.7."""
    file = file_of(feed, whole_days(), moment(busy=True))
    assert (of(file, "window-1").transp.value, of(file, "first_co2").transp.value) == ("TRANSPARENT", "OPAQUE")


def test_a_link_is_an_address(feed: CalendarFeed) -> None:
    """Section 3.8.4.6."""
    assert of(file_of(feed), "window-1").url.value == "http://127.0.0.1:8000/batches/1/"


def test_the_same_entries_are_the_same_bytes(feed: CalendarFeed) -> None:
    """So that an unchanged feed can be answered by its tag alone."""
    assert file_of(feed) == file_of(feed, now=NOW + dt.timedelta(days=3))
