from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as some

from prospecting.calc import photo_scale

lengths = some.decimals(min_value=1, max_value=3000, places=1)


def test_a_scale_bar_of_known_length_gives_the_scale():
    # Scale is length in the picture over length of the thing (photogrammetry's own definition); 3-4-5 triangle.
    assert photo_scale.px_per_mm(
        photo_scale.distance_px(Decimal(0), Decimal(0), Decimal(300), Decimal(400)), Decimal(25)
    ) == Decimal(20)


@given(px=lengths, mm=lengths)
def test_what_is_twice_as_long_has_half_the_scale(px, mm):
    once, twice = photo_scale.px_per_mm(px, mm), photo_scale.px_per_mm(px, 2 * mm)
    assert abs(once - 2 * twice) <= Decimal("0.0002")


@given(x=lengths, y=lengths, a=lengths, b=lengths)
def test_it_does_not_matter_which_end_is_tapped_first(x, y, a, b):
    assert photo_scale.distance_px(x, y, a, b) == photo_scale.distance_px(a, b, x, y)


@pytest.mark.parametrize(
    ("px", "mm"), [("0", "5"), ("5", "0"), ("-5", "5"), ("0.00001", "5"), ("1000000", "1")]
)
def test_refuses_what_is_no_length_and_no_scale(px, mm):
    with pytest.raises(ValueError, match="mm"):
        photo_scale.px_per_mm(Decimal(px), Decimal(mm))


@pytest.mark.parametrize(
    ("px", "scale", "asks"),
    [
        ("800", "800", "2.0 mm wide"),
        ("800", "0.2", "8.0 m wide"),
        ("60", "6", "only 60 pixels"),
        # A 12 inch pan (305 mm) filling most of the picture, and a vial lid of 20 mm close by.
        ("1400", "4.6", None),
        ("900", "45", None),
    ],
)
def test_asks_where_the_picture_cannot_be_so_wide(px, scale, asks):
    told = photo_scale.scale_guard(Decimal(px), Decimal(scale), 1600)
    assert (told.ask is None) if asks is None else (asks in told.ask)
    assert "mm wide" in told.sentence


def test_no_scale_no_size():
    with pytest.raises(ValueError, match="above 0"):
        photo_scale.size_mm(1600, Decimal(0))
