"""A list of the API and one record of it: asked by filters, told page by page in an order that new records don't disturb."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.http import Http404, HttpRequest, QueryDict

from prospecting.access import GUEST
from prospecting.api.gate import Answer, by_token, not_valid
from prospecting.api.kinds import ID, Kind
from prospecting.api.records import Record
from prospecting.models import Member

USUAL, MOST = 50, 200


# Compared by identity: a kind's schema is no part of a key.
@dataclass(frozen=True, eq=False)
class Filter:
    """One word after the question mark. `narrow` leaves the rows that answer to its value."""

    name: str
    kind: Kind
    says: str
    narrow: Callable[[QuerySet, Any], QuerySet] | None = None


def same(column: str) -> Callable[[QuerySet, Any], QuerySet]:
    return lambda rows, value: rows.filter(**{column: value})


@dataclass(frozen=True)
class Listing:
    """`name` stands in the address. `rows` brings along all that `record` tells, and `whole_rows` what `whole` tells of one."""

    name: str
    one: str
    says: str
    record: Record
    rows: Callable[[], QuerySet]
    filters: tuple[Filter, ...] = ()
    whole: Record | None = None
    whole_rows: Callable[[], QuerySet] | None = None
    # How a single record is called in an address: its number, or its code.
    key: str = "pk"

    @property
    def asked_by(self) -> tuple[Filter, ...]:
        return (*self.filters, AFTER, LIMIT)

    @property
    def told_of_one(self) -> Record:
        return self.whole or self.record

    def find(self, value: Any) -> Any:
        found = (self.whole_rows or self.rows)().filter(**{self.key: value}).first()
        if found is None:
            raise Http404
        return found


def _read_limit(value: Any) -> int:
    limit = ID.read(value)
    if not 1 <= limit <= MOST:
        raise ValueError(f"Give a number from 1 to {MOST}.")
    return limit


LIMIT = Filter(
    "limit",
    Kind(
        {"type": "integer", "minimum": 1, "maximum": MOST, "default": USUAL},
        f"whole number from 1 to {MOST}",
        int,
        _read_limit,
        ID.spell,
    ),
    f"How many records at once; {USUAL} where left out.",
)
AFTER = Filter(
    "after",
    ID,
    "Only records after the one with this number: the address in `next` holds it for you.",
    lambda rows, value: rows.filter(pk__gt=value),
)


def list_view(listing: Listing) -> Callable:
    """The view of a list: oldest first, at most so many, with the address of what comes after."""

    @by_token(role=GUEST)
    def view(request: HttpRequest) -> Answer:
        asked = _asked(listing, request.GET)
        limit = asked.pop(LIMIT, USUAL)
        rows = listing.rows().order_by("pk")
        for each, value in asked.items():
            rows = each.narrow(rows, value)
        # One more than is told, to know whether anything comes after.
        found = list(rows[: limit + 1])
        told = [listing.record.write(row, for_guest=is_guest(request.user)) for row in found[:limit]]
        return Answer({"items": told, "next": _next(request, told) if len(found) > limit else None})

    return view


def one_view(listing: Listing) -> Callable:
    @by_token(role=GUEST)
    def view(request: HttpRequest, **key) -> Answer:
        [value] = key.values()
        return Answer(listing.told_of_one.write(listing.find(value), for_guest=is_guest(request.user)))

    return view


def is_guest(member: Member) -> bool:
    return not member.can_write


def _asked(listing: Listing, asked: QueryDict) -> dict[Filter, Any]:
    """The filters that were asked for, each with its value; a word nobody knows is refused, or a typo would find everything."""
    filters = {each.name: each for each in listing.asked_by}
    values, refusals = {}, []
    for name, texts in asked.lists():
        try:
            if name not in filters:
                raise ValueError(f"There is no such filter here. There are: {', '.join(filters)}.")
            if len(texts) > 1:
                raise ValueError("Say it once.")
            values[filters[name]] = filters[name].kind.read_text(texts[0])
        except ValueError as error:
            refusals.append((name, "not_valid", str(error)))
    if refusals:
        raise not_valid(refusals)
    return values


def _next(request: HttpRequest, told: list[dict]) -> str:
    return f"{request.path}?{urlencode(request.GET.dict() | {AFTER.name: told[-1]['id']})}"
