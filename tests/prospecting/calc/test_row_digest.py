import datetime
import random
from decimal import Decimal
from uuid import UUID

import pytest

from prospecting.calc.row_digest import rows_digest

NOON = datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)
ROW = (
    1,
    "a",
    None,
    True,
    Decimal("1.5"),
    0.1,
    NOON,
    NOON.date(),
    b"\x00\xff",
    {"b": 1, "a": [2]},
    UUID(int=7),
)


def test_the_order_of_rows_does_not_matter_and_their_number_does():
    rows = [(number, f"lot {number}") for number in range(50)]
    shuffled = random.Random(1).sample(rows, len(rows))
    assert rows_digest(rows) == rows_digest(shuffled)
    assert rows_digest(rows)[0] == 50
    assert rows_digest(rows) != rows_digest(rows + rows[:1])


@pytest.mark.parametrize("place", range(len(ROW)))
def test_any_value_that_changes_changes_the_digest(place):
    for other in ("x", 2, None, Decimal("1.51"), False, NOON + datetime.timedelta(microseconds=1)):
        changed = (*ROW[:place], other, *ROW[place + 1 :])
        if other != ROW[place]:
            assert rows_digest([changed]) != rows_digest([ROW])


@pytest.mark.parametrize(
    "one, other",
    [
        # One value, spelled as one or the other engine gives it.
        (Decimal("1.500"), Decimal("1.5")),
        (Decimal("0E-4"), Decimal("-0")),
        (Decimal("1E+2"), Decimal("100.000")),
        (NOON, NOON.astimezone(datetime.timezone(datetime.timedelta(hours=-7)))),
        (b"ab", memoryview(b"ab")),
        ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
    ],
)
def test_one_value_has_one_digest(one, other):
    assert rows_digest([(one,)]) == rows_digest([(other,)])


@pytest.mark.parametrize(
    "one, other",
    [
        ((1,), ("1",)),
        ((None,), ("",)),
        (("a", "b"), ("ab", "")),
        (("a\x1fs1:b",), ("a", "b")),
        ((True,), (1,)),
        ((Decimal("1000000000000000000.0000001"),), (Decimal("1000000000000000000.0000002"),)),
    ],
)
def test_what_looks_alike_is_told_apart(one, other):
    assert rows_digest([one]) != rows_digest([other])


def test_a_kind_nobody_agreed_on_is_refused():
    with pytest.raises(TypeError, match="timedelta"):
        rows_digest([(datetime.timedelta(1),)])
