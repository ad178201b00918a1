"""What was reckoned or drawn once is kept until what it was made from changes: no page reckons the same thing twice."""

import hashlib
from collections.abc import Callable, Hashable, Mapping
from contextlib import suppress
from typing import TypeVar

from django.core.cache import caches
from django.utils.translation import get_language

from prospecting.calc.number_words import decimal_mark
from prospecting.version import site_version

Key = TypeVar("Key", bound=Hashable)
Result = TypeVar("Result")


def kept_result(name: str, made_from: tuple, make: Callable[[], Result]) -> Result:
    """Return what `make` gives, from the store where it was made before from the same things by the same site.

    `made_from` holds whatever the result hangs on (a hash of the records, the reader's units), each written alike whenever
    it is alike; the reader's language and decimal mark count by themselves. Nothing in the store ever goes stale: another
    input is another place. It may be emptied at any time.
    """
    return kept_results(name, {0: made_from}, lambda missing: {0: make()})[0]


def kept_results(
    name: str, made_from: Mapping[Key, tuple], make: Callable[[list[Key]], dict[Key, Result]]
) -> dict[Key, Result]:
    """The same for several at once: `make` is asked for all that are missing together, if any is."""
    store = caches["results"]
    places = {key: _place(name, each) for key, each in made_from.items()}
    kept = store.get_many(places.values())
    missing = [key for key, place in places.items() if place not in kept]
    made = make(missing) if missing else {}
    # A disk that is full keeps nobody from reading: the result is only made once more next time.
    with suppress(OSError):
        for key in missing:
            store.set(places[key], made[key])
    return {key: made[key] if key in made else kept[place] for key, place in places.items()}


def _place(name: str, made_from: tuple) -> str:
    told = "\n".join([site_version(), name, decimal_mark(), get_language() or "", *map(str, made_from)])
    return hashlib.sha256(told.encode()).hexdigest()
