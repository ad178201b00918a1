"""How long somebody has to wait, said in whole minutes."""

from datetime import timedelta

MINUTE = timedelta(minutes=1)


def whole_minutes(wait: timedelta) -> int:
    """Return the wait in minutes, rounded up, so that nobody comes back too early; 0 for none or less.

    >>> whole_minutes(timedelta(minutes=14, seconds=1))
    15
    >>> whole_minutes(timedelta(seconds=-1))
    0
    """
    return max(-(-wait // MINUTE), 0)
