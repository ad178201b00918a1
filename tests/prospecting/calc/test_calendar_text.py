"""Checked against the text of RFC 5545 (iCalendar) and by a reader of our own that keeps to it strictly."""

import datetime
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc.calendar_text import DayEvent, calendar_text, escaped, folded
from tests.prospecting.strict_calendar import read_calendar, unescaped, unfolded

AT = datetime.datetime(2026, 5, 3, 8, 30, 15, tzinfo=datetime.timezone(datetime.timedelta(hours=-6)))


def event(**fields) -> DayEvent:
    return DayEvent(
        **{
            "uid": "one",
            "day": datetime.date(2026, 9, 1),
            "summary": "Lantern: yearly fee",
            "description": "Watched by Ida.",
            "url": "https://site.example/claims/1/",
            "changed_at": AT,
        }
        | fields
    )


def test_the_example_of_folding_in_the_standard_unfolds_to_its_line():
    # RFC 5545, section 3.1.
    shown = "DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line."
    line = "DESCRIPTION:This is a long description that exists on a long line."
    assert unfolded(shown) == line
    assert folded(line) == line


def test_the_example_of_text_in_the_standard_is_written_as_there():
    # RFC 5545, section 3.3.11.
    meant = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    assert escaped(meant) == r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    # Section 3.2.1 (ALTREP) shows commas in a text.
    assert escaped("Las Vegas, NV, USA") == r"Las Vegas\, NV\, USA"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("a\\b", "a\\\\b"),
        ("a;b,c", "a\\;b\\,c"),
        ("a\r\nb\rc\u2028d", "a\\nb\\nc\\nd"),
        ("BEGIN:VEVENT\r\nX", "BEGIN:VEVENT\\nX"),
        ("a\x00b\x1fc\u202ed\ud800", "abcd"),
        ("tab\tand\u00a0space", "tab\tand\u00a0space"),
    ],
)
def test_signs_that_would_end_or_break_a_value(text, written):
    assert escaped(text) == written


@pytest.mark.parametrize("length", [0, 1, 74, 75, 76, 149, 150, 400])
def test_lines_have_at_most_75_octets(length):
    pieces = folded("x" * length).split("\r\n")
    assert all(len(piece.encode()) <= 75 for piece in pieces)
    assert "".join([pieces[0], *(piece[1:] for piece in pieces[1:])]) == "x" * length


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=300))
def test_whatever_is_folded_unfolds_again_and_no_sign_is_torn(text):
    pieces = folded(f"SUMMARY:{text}").split("\r\n")
    assert all(len(piece.encode()) <= 75 for piece in pieces)
    assert unfolded("\r\n".join(pieces)) == f"SUMMARY:{text}"


@given(st.text(st.characters(exclude_categories=["Cs", "Cc", "Cf", "Co", "Cn", "Zl", "Zp"]), max_size=80))
def test_a_text_reads_back_as_it_was(text):
    assert unescaped(escaped(text)) == text


def test_an_event_says_all_it_knows():
    calendar = read_calendar(calendar_text(name="Days, to keep", events=[event(changes=2, remind_days=60)]))
    assert calendar.properties["VERSION"] == "2.0"
    assert calendar.properties["PRODID"]
    assert calendar.properties["NAME"] == "Days, to keep"
    [told] = calendar.events
    assert told.properties | {"DTSTART": told.properties["DTSTART"]} == {
        "UID": "one",
        "DTSTAMP": "20260503T143015Z",
        "LAST-MODIFIED": "20260503T143015Z",
        "SEQUENCE": "2",
        "DTSTART": "20260901",
        "SUMMARY": "Lantern: yearly fee",
        "DESCRIPTION": "Watched by Ida.",
        "URL": "https://site.example/claims/1/",
        "STATUS": "CONFIRMED",
        "TRANSP": "TRANSPARENT",
    }
    assert told.parameters["DTSTART"] == ["VALUE=DATE"]
    [alarm] = told.alarms
    assert alarm.properties == {"ACTION": "DISPLAY", "TRIGGER": "-P60D", "DESCRIPTION": "Lantern: yearly fee"}


@pytest.mark.parametrize(
    ("fields", "triggers"),
    [({"remind_days": 0}, ["PT0S"]), ({}, []), ({"remind_days": 9, "is_cancelled": True}, [])],
)
def test_when_it_speaks_up(fields, triggers):
    [told] = read_calendar(calendar_text(name="n", events=[event(**fields)])).events
    assert [alarm.properties["TRIGGER"] for alarm in told.alarms] == triggers
    assert told.properties["STATUS"] == ("CANCELLED" if fields.get("is_cancelled") else "CONFIRMED")


def test_nothing_typed_can_begin_an_entry_of_its_own():
    wicked = "fee\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:forged"
    text = calendar_text(name=wicked, events=[event(summary=wicked, description=wicked)])
    assert len(re.findall(r"^BEGIN:VEVENT\r$", text, re.M)) == 1
    assert len(read_calendar(text).events) == 1


def test_an_empty_calendar_is_one():
    calendar = read_calendar(calendar_text(name="n", events=[]))
    assert calendar.events == []
