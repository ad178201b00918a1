import datetime
from decimal import Decimal

import pytest

from prospecting.api import kinds
from prospecting.models import Lot


@pytest.mark.parametrize(
    "value, text",
    [("1.50", "1.5"), ("1E+3", "1000"), ("0.000000000001", "0.000000000001"), ("-3.0", "-3"), ("0", "0")],
)
def test_a_decimal_is_written_in_plain_digits(value, text):
    assert kinds.DECIMAL.write(Decimal(value)) == text


def test_a_moment_is_written_in_utc():
    there = datetime.timezone(datetime.timedelta(hours=-6))
    moment = datetime.datetime(2026, 5, 3, 20, 4, 5, 999, tzinfo=there)
    # RFC 3339, section 5.6: the date-time of JSON Schema's format of that name.
    assert kinds.MOMENT.write(moment) == "2026-05-04T02:04:05Z"


@pytest.mark.parametrize(
    "kind, value, read",
    [
        (kinds.TYPED_DECIMAL, "12.30", "12.30"),
        (kinds.WHOLE, 3, 3),
        (kinds.WHOLE, 3.0, 3),
        (kinds.YES_NO, True, True),
        (kinds.DAY, "2026-05-03", datetime.date(2026, 5, 3)),
        (
            kinds.MOMENT,
            "2026-05-03t17:04:00.25z",
            datetime.datetime(2026, 5, 3, 17, 4, 0, 250000, datetime.UTC),
        ),
        (kinds.CODE, "brk-47-t", "BRK-47-T"),
        (kinds.one_of(Lot.Kind), "blend", "blend"),
        (kinds.list_of(kinds.TYPED_DECIMAL, least=1, most=3), ["1", "2"], ["1", "2"]),
        (kinds.text(5), "five!", "five!"),
    ],
)
def test_reads_what_is_right(kind, value, read):
    assert kind.read(value) == read


@pytest.mark.parametrize(
    "kind, values",
    [
        (kinds.TYPED_DECIMAL, [12.3, 12, "12,3", "-1", "1e5", "NaN", "12.3 mg", "٣", "", None, "1" * 10, "\n1", "1\n"]),
        (kinds.WHOLE, ["3", -1, 1.5, float("inf"), True, None, [], "1.0", "٣", "9" * 19, 2**63, "1" * 5000]),
        (kinds.YES_NO, [1, "1", "true", None]),
        (kinds.DAY, ["2026-02-30", "20260503", "2026-5-3", 20260503, None, "0000-01-01", "٢٠٢٦-٠٥-٠٣"]),
        (
            kinds.MOMENT,
            ["2026-05-03", "2026-05-03T10:00", "2026-13-03T10:00:00Z", "2026-05-03 10:00:00Z", "2026-05-03T10:00:00+0000",
             "9999-12-31T23:59:59-12:00", "٢026-05-03T10:00:00Z", 5, None],
        ),
        (kinds.IDENTITY, ["", "x" * 36, "3f0c6b1e6a8e4c399d7f2b1a5c7e9a10", 3, None]),
        (kinds.CODE, ["", "a/b", "x" * 13, "é", None, 3]),
        (kinds.one_of(Lot.Kind), ["BLEND", "", None, [], {}]),
        (kinds.list_of(kinds.TYPED_DECIMAL, least=1, most=3), [[], ["1"] * 4, "1", [1], None]),
        (kinds.text(5), ["sixsix", "a\0b", "\ud800", 3, None]),
    ],
)  # fmt: skip
def test_refuses_everything_else_with_a_sentence(kind, values):
    for value in values:
        with pytest.raises(ValueError, match=r"^[A-Z].*\.$"):
            kind.read(value)


@pytest.mark.parametrize(
    "kind, text, read",
    [
        (kinds.ID, "3", 3),
        (kinds.YES_NO, "false", False),
        (kinds.YES_NO, "true", True),
        (kinds.DAY, "2026-05-03", datetime.date(2026, 5, 3)),
    ],
)
def test_reads_what_an_address_spells(kind, text, read):
    assert kind.read_text(text) == read


@pytest.mark.parametrize(
    "kind, text", [(kinds.ID, "٣"), (kinds.ID, "3.0"), (kinds.ID, ""), (kinds.YES_NO, "1")]
)
def test_refuses_what_an_address_misspells(kind, text):
    with pytest.raises(ValueError, match=r"^[A-Z].*\.$"):
        kind.read_text(text)
