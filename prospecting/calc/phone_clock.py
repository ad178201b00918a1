"""What the clock of a phone says of an entry, and whether it can be believed."""

import datetime
from dataclasses import dataclass

from prospecting.calc.language import phrase, phrase_counted

# Common practice, no source: a phone that sets its clock by its network is right within seconds.
TRUSTED_WITHIN_S = 5 * 60
# No entry waits on a phone for so long; one that says so was made by a clock that had stopped or started anew.
LONGEST_WAIT_S = 366 * 24 * 60 * 60
YEAR_S = 31_557_600
# Times at the very ends of the calendar can't be turned into another zone's.
DAY = datetime.timedelta(days=1)
EARLIEST = datetime.datetime.min.replace(tzinfo=datetime.UTC) + 2 * DAY
LATEST = datetime.datetime.max.replace(tzinfo=datetime.UTC) - 2 * DAY


@dataclass(frozen=True)
class PhoneClock:
    """When an entry was made and sent by the phone's own clock (None where that can't be read), and how far that clock stood
    ahead of the site's when it was sent, in seconds (None where that isn't known)."""

    born_at: datetime.datetime | None
    sent_at: datetime.datetime | None
    ahead_s: int | None

    @property
    def waited_s(self) -> float:
        """How long the entry lay on the phone. Both times are the phone's own, so its clock's error drops out."""
        return (self.sent_at - self.born_at).total_seconds()

    @property
    def doubts(self) -> list[str]:
        """What speaks against the phone's times, each as the end of a sentence; none when they can be believed."""
        if self.sent_at is None:
            return [phrase("when it was sent, by the phone's clock, could not be read")]
        found = []
        if abs(self.ahead_s) > TRUSTED_WITHIN_S:
            stood = words_for_span(self.ahead_s)
            if self.ahead_s > 0:
                found.append(phrase("its clock stood {span} ahead", span=stood))
            else:
                found.append(phrase("its clock stood {span} behind", span=stood))
        if self.born_at is None:
            found.append(phrase("when it was made could not be read"))
        elif self.waited_s < -TRUSTED_WITHIN_S:
            waited = words_for_span(self.waited_s)
            found.append(phrase("it says it was made {span} after it was sent", span=waited))
        elif self.waited_s > LONGEST_WAIT_S:
            found.append(phrase("it says it waited {span}", span=words_for_span(self.waited_s)))
        return found


def read_phone_clock(born: str, sent: str, received: datetime.datetime) -> PhoneClock:
    """The times an entry carries, set against the moment the site received it; never an error.

    Parameters
    ----------
    born, sent : str
        Date and time with their offset from UTC, as ISO 8601 writes them (2026-05-03T14:05:00+02:00, or Z for UTC), both by
        the phone's clock. Anything else, and a time without its offset, counts as unreadable.
    received : datetime
        The site's own clock, aware of its zone.

    Notes
    -----
    The clock's error is sent - received, the time on the way being taken as nothing; so the entry was really born at
    born - error. In doubt is a clock more than five minutes off, an entry made more than five minutes after it was
    received or more than a year before (both by the corrected time), and whatever cannot be read.

    >>> noon = datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)
    >>> clock = read_phone_clock("2026-04-30T11:00:00Z", "2026-04-30T12:00:00Z", noon)
    >>> clock.ahead_s, clock.doubts
    (-259200, ['its clock stood 3 days behind'])
    """
    born_at, sent_at = _read(born), _read(sent)
    ahead_s = None if sent_at is None else round((sent_at - received).total_seconds())
    return PhoneClock(born_at, sent_at, ahead_s)


def _read(text: str) -> datetime.datetime | None:
    try:
        moment = datetime.datetime.fromisoformat(text.strip())
        # Without its offset it could be any of a day's hours.
        moment = moment.astimezone(datetime.UTC) if moment.tzinfo else None
    except (ValueError, OverflowError):
        return None
    return moment if moment is not None and EARLIEST < moment < LATEST else None


def words_for_span(seconds: float) -> str:
    """A span of time in its largest whole unit, as one says it: 3 days, 1 hour, 20 minutes.

    >>> words_for_span(259_200), words_for_span(5400), words_for_span(-61)
    ('3 days', '2 hours', '1 minute')
    """
    span_s = abs(seconds)
    if span_s >= YEAR_S:
        return phrase_counted("{number} year", "{number} years", round(span_s / YEAR_S))
    if span_s >= 86_400:
        return phrase_counted("{number} day", "{number} days", round(span_s / 86_400))
    if span_s >= 3600:
        return phrase_counted("{number} hour", "{number} hours", round(span_s / 3600))
    if span_s >= 60:
        return phrase_counted("{number} minute", "{number} minutes", round(span_s / 60))
    return phrase("less than a minute")
