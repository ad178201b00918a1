"""What was reckoned or drawn once is kept until what it was made from changes: no page reckons the same thing twice."""

import hashlib
from collections.abc import Callable
from typing import TypeVar

from django.core.cache import caches

from prospecting.version import site_version

Result = TypeVar("Result")


def kept_result(name: str, made_from: tuple, make: Callable[[], Result]) -> Result:
    """Return what `make` gives, from the store where it was made before from the same things by the same site.

    `made_from` holds whatever the result hangs on (a hash of the records, the reader's units), each written alike whenever
    it is alike. Nothing in the store ever goes stale: another input is another place. It may be emptied at any time.
    """
    told = "\n".join([site_version(), name, *map(str, made_from)])
    place = hashlib.sha256(told.encode()).hexdigest()
    store = caches["results"]
    found = store.get(place)
    if found is None:
        found = make()
        store.set(place, found)
    return found
