"""The phone's clock set against the site's: what is believed, what is flagged, and that nothing breaks it."""

import datetime

import pytest

from prospecting.calc.phone_clock import read_phone_clock, words_for_span

NOON = datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)

# (born, sent) as a phone might write them, received at noon UTC.
BELIEVED = {
    "sent at once": ("2026-05-03T12:00:00Z", "2026-05-03T12:00:00Z"),
    "with the fractions that JavaScript writes": ("2026-05-03T11:58:20.123Z", "2026-05-03T11:59:59.998Z"),
    "waited three days": ("2026-04-30T12:00:00Z", "2026-05-03T12:00:01Z"),
    "waited a winter": ("2025-10-01T09:00:00+02:00", "2026-05-03T12:00:00Z"),
    # Clocks went forward in central Europe on 29 March 2026 (the last Sunday in March, Directive 2000/84/EC).
    "across the night the clocks go forward": ("2026-03-29T01:59:00+01:00", "2026-05-03T14:00:00+02:00"),
    # Both are twenty past two of that night, an hour apart; only the offset tells them.
    "in the hour that comes twice": ("2025-10-26T02:20:00+02:00", "2026-05-03T12:00:00Z"),
    "entered in another zone than sent from": ("2026-05-03T04:00:00-07:00", "2026-05-03T13:45:00+01:45"),
    "five minutes ahead": ("2026-05-03T12:05:00Z", "2026-05-03T12:05:00Z"),
    "set right by a minute between making and sending": ("2026-05-03T12:01:00Z", "2026-05-03T12:00:00Z"),
}

CLOCK_ERRORS = {
    "three days behind": ("2026-04-30T11:00:00Z", "2026-04-30T12:00:00Z"),
    "a day ahead": ("2026-05-04T11:59:00Z", "2026-05-04T12:00:00Z"),
    "five minutes and a second ahead": ("2026-05-03T12:05:01Z", "2026-05-03T12:05:01Z"),
    "five minutes and a second behind": ("2026-05-03T11:54:59Z", "2026-05-03T11:54:59Z"),
    "an hour off: wrong about summer time": ("2026-05-03T12:10:00Z", "2026-05-03T13:00:00Z"),
    "twelve hours off: morning for evening": ("2026-05-03T00:00:00Z", "2026-05-03T00:00:00Z"),
    "day and month swapped": ("2026-03-05T12:00:00Z", "2026-03-05T12:00:00Z"),
    "started anew at 1970": ("1970-01-01T00:03:00Z", "1970-01-01T00:05:00Z"),
    "started anew at 2000, set right before sending": ("2000-01-01T00:00:07Z", "2026-05-03T12:00:00Z"),
    "made more than a year ago": ("2025-05-01T12:00:00Z", "2026-05-03T12:00:00Z"),
    "made after it was sent": ("2026-05-03T13:00:00Z", "2026-05-03T12:00:00Z"),
    "made in years to come": ("2038-01-19T03:14:08Z", "2026-05-03T12:00:00Z"),
    "the last year there is": ("9999-12-31T23:59:59Z", "9999-12-31T23:59:59Z"),
    "beyond it by its offset": ("9999-12-31T23:59:59-12:00", "2026-05-03T12:00:00Z"),
    "the first year there is, before it by its offset": ("0001-01-01T00:00:00+14:00", "2026-05-03T12:00:00Z"),
    "a fifth digit of the year": ("+12026-05-03T12:00:00Z", "2026-05-03T12:00:00Z"),
    "no offset": ("2026-05-03T12:00:00", "2026-05-03T12:00:00"),
    "no offset when sent": ("2026-05-03T11:00:00Z", "2026-05-03T12:00:00"),
    "a day without its time": ("2026-05-03", "2026-05-03T12:00:00Z"),
    "an offset of a day and more": ("2026-05-03T12:00:00+25:00", "2026-05-03T12:00:00Z"),
    "29 February of a year without one": ("2026-02-29T12:00:00Z", "2026-05-03T12:00:00Z"),
    "a sixty-first second": ("2026-05-03T11:59:61Z", "2026-05-03T12:00:00Z"),
    "seconds since 1970": ("1777809600", "1777809600"),
    "digits of another script": ("٢٠٢٦-٠٥-٠٣T12:00:00Z", "2026-05-03T12:00:00Z"),
    "as a person writes it": ("3 May 2026, 2 pm", "3 May 2026, 2 pm"),
    "nothing": ("", ""),
    "no time of sending": ("2026-05-03T12:00:00Z", ""),
    "no time of making": ("", "2026-05-03T12:00:00Z"),
    "NUL": ("2026-05-03T12:00:00Z\0", "\0"),
    "no end of it": ("2" * 100_000, "2026-05-03T12:00:00Z"),
}  # fmt: skip


@pytest.mark.parametrize("times", BELIEVED.values(), ids=BELIEVED)
def test_believes(times):
    assert read_phone_clock(*times, NOON).doubts == []


@pytest.mark.parametrize("times", CLOCK_ERRORS.values(), ids=CLOCK_ERRORS)
def test_flags(times):
    assert read_phone_clock(*times, NOON).doubts


def test_twenty_and_more_different_errors_are_flagged():
    assert len(set(CLOCK_ERRORS.values())) == len(CLOCK_ERRORS) >= 20


def test_keeps_the_phones_own_times_as_evidence():
    clock = read_phone_clock("2026-04-30T13:00:00+02:00", "2026-04-30T12:00:00Z", NOON)
    assert clock.born_at == datetime.datetime(2026, 4, 30, 11, tzinfo=datetime.UTC)
    assert clock.sent_at == datetime.datetime(2026, 4, 30, 12, tzinfo=datetime.UTC)
    assert clock.ahead_s == -3 * 24 * 3600
    assert clock.doubts == ["its clock stood 3 days behind"]


def test_how_long_it_waited_does_not_depend_on_how_wrong_the_clock_was():
    right = read_phone_clock("2026-05-03T10:00:00Z", "2026-05-03T12:00:00Z", NOON)
    wrong = read_phone_clock("1970-01-01T10:00:00Z", "1970-01-01T12:00:00Z", NOON)
    assert right.waited_s == wrong.waited_s == 7200


def test_of_the_hour_that_comes_twice_the_offset_tells_which():
    first = read_phone_clock("2025-10-26T02:20:00+02:00", "2026-05-03T12:00:00Z", NOON)
    second = read_phone_clock("2025-10-26T02:20:00+01:00", "2026-05-03T12:00:00Z", NOON)
    assert (second.born_at - first.born_at).total_seconds() == 3600


def test_every_kept_time_can_be_shown_in_any_zone():
    for text in ("9999-12-28T23:59:59Z", "0001-01-03T00:00:01Z"):
        clock = read_phone_clock(text, text, NOON)
        for hours in (-14, 14):
            clock.born_at.astimezone(datetime.timezone(datetime.timedelta(hours=hours)))


@pytest.mark.parametrize(
    ("times", "said"),
    [
        (CLOCK_ERRORS["a day ahead"], "its clock stood 1 day ahead"),
        (CLOCK_ERRORS["made after it was sent"], "it says it was made 1 hour after it was sent"),
        (CLOCK_ERRORS["started anew at 2000, set right before sending"], "it says it waited 26 years"),
        (CLOCK_ERRORS["no time of making"], "when it was made could not be read"),
        (CLOCK_ERRORS["nothing"], "when it was sent, by the phone's clock, could not be read"),
    ],
)
def test_says_what_is_wrong(times, said):
    assert read_phone_clock(*times, NOON).doubts == [said]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "less than a minute"),
        (60, "1 minute"),
        (3599, "60 minutes"),
        (3600, "1 hour"),
        (172_800, "2 days"),
    ],
)
def test_a_span_in_words(seconds, words):
    assert words_for_span(seconds) == words
