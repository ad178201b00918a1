"""Days to keep, written as the text a calendar program reads: iCalendar, RFC 5545. All-day events with one reminder each."""

import datetime
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

# RFC 5545, section 3.1: a line has at most 75 octets without its line break.
LONGEST_LINE_OCTETS = 75
CONFIRMED, CANCELLED = "CONFIRMED", "CANCELLED"


@dataclass(frozen=True)
class DayEvent:
    """One day in a calendar.

    `uid` never changes; `changed_at` (with its zone) is when what is said here last changed and `changes` how often it did.
    `remind_days` before the day the calendar speaks up; None: it stays silent.
    """

    uid: str
    day: datetime.date
    summary: str
    description: str
    url: str
    changed_at: datetime.datetime
    changes: int = 0
    remind_days: int | None = None
    is_cancelled: bool = False


def escaped(text: str) -> str:
    r"""`text` as a TEXT value (RFC 5545, section 3.3.11): backslash, semicolon, comma and line break written with a backslash.

    Control signs, which no content line may hold (section 3.1), are left out.

    >>> escaped("Fee; waiver, or notice")
    'Fee\\; waiver\\, or notice'
    """
    # Every break that Unicode knows counts as one: a careless reader would take it for the end of the property.
    plain = "\n".join("".join(filter(_is_plain, line)) for line in text.splitlines())
    for sign in "\\;,":
        plain = plain.replace(sign, f"\\{sign}")
    return plain.replace("\n", "\\n")


def folded(line: str) -> str:
    r"""A content line in pieces of at most 75 octets, each further one begun by a space (RFC 5545, section 3.1).

    No sign is torn apart, however many octets it takes.

    >>> [len(piece) for piece in folded("DESCRIPTION:" + 80 * "x").split("\r\n")]
    [75, 18]
    """
    if len(line.encode()) <= LONGEST_LINE_OCTETS:
        return line
    pieces, octets = [""], 0
    for sign in line:
        needed = len(sign.encode())
        if octets + needed > LONGEST_LINE_OCTETS:
            pieces.append(" ")
            octets = 1
        pieces[-1] += sign
        octets += needed
    return "\r\n".join(pieces)


def calendar_text(*, name: str, events: Iterable[DayEvent]) -> str:
    """The whole calendar, its lines ended by CRLF and folded (RFC 5545, section 3.4; NAME and REFRESH-INTERVAL: RFC 7986).

    >>> calendar_text(name="Claim dates", events=[]).split()[0]
    'BEGIN:VCALENDAR'
    """
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Gold prospecting log//Days to keep//EN",
        "CALSCALE:GREGORIAN",
        f"NAME:{escaped(name)}",
        "REFRESH-INTERVAL;VALUE=DURATION:PT6H",
        *(line for event in events for line in _event_lines(event)),
        "END:VCALENDAR",
    ]
    return "".join(f"{folded(line)}\r\n" for line in lines)


def _event_lines(event: DayEvent) -> list[str]:
    stamp = _utc(event.changed_at)
    return [
        "BEGIN:VEVENT",
        f"UID:{event.uid}",
        # Without a METHOD both say when the entry was last changed (sections 3.8.7.2 and 3.8.7.3).
        f"DTSTAMP:{stamp}",
        f"LAST-MODIFIED:{stamp}",
        f"SEQUENCE:{event.changes}",
        f"DTSTART;VALUE=DATE:{event.day:%Y%m%d}",
        f"SUMMARY:{escaped(event.summary)}",
        f"DESCRIPTION:{escaped(event.description)}",
        f"URL:{event.url}",
        f"STATUS:{CANCELLED if event.is_cancelled else CONFIRMED}",
        # A reminder takes up none of the member's day.
        "TRANSP:TRANSPARENT",
        *_alarm_lines(event),
        "END:VEVENT",
    ]


def _alarm_lines(event: DayEvent) -> list[str]:
    if event.remind_days is None or event.is_cancelled:
        return []
    before = f"-P{event.remind_days}D" if event.remind_days else "PT0S"
    return [
        "BEGIN:VALARM",
        "ACTION:DISPLAY",
        f"TRIGGER:{before}",
        f"DESCRIPTION:{escaped(event.summary)}",
        "END:VALARM",
    ]


def _is_plain(sign: str) -> bool:
    return sign == "\t" or sign.isprintable() or unicodedata.category(sign) == "Zs"


def _utc(moment: datetime.datetime) -> str:
    return f"{moment.astimezone(datetime.UTC):%Y%m%dT%H%M%SZ}"
