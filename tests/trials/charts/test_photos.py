from decimal import Decimal
from types import SimpleNamespace

from trials.charts.photos import side_by_side


def pictured(width_px, height_px, px_per_mm):
    scale = None if px_per_mm is None else Decimal(px_per_mm)
    return SimpleNamespace(photo=SimpleNamespace(width_px=width_px, height_px=height_px, px_per_mm=scale))


def test_a_thing_of_one_size_is_drawn_alike_large_whatever_its_picture():
    """A 20 mm vial lid takes the same share of the frame's width in a close picture and in one from afar."""
    close, afar = pictured(1600, 1200, "40"), pictured(1600, 900, "8")
    shown = side_by_side([close, afar])
    for frame in shown.framed:
        lid_px = 20 * frame.subject.photo.px_per_mm
        lid_of_frame = lid_px / frame.subject.photo.width_px * frame.width_mm / shown.frame_width_mm
        assert lid_of_frame == Decimal(20) / Decimal(200)
        assert (
            frame.height_mm / frame.width_mm
            == Decimal(frame.subject.photo.height_px) / frame.subject.photo.width_px
        )


def test_those_without_a_scale_stand_apart_in_order():
    a, b, c = pictured(800, 600, None), pictured(800, 600, "4"), pictured(600, 800, None)
    shown = side_by_side([a, b, c])
    assert shown.apart == [a, c]
    assert [frame.subject for frame in shown.framed] == [b]
    # 200 mm wide: the longest bar of at most a third is 50 mm.
    assert shown.bar_mm == 50


def test_the_bar_lies_below_the_picture_and_inside_the_frame():
    shown = side_by_side([pictured(1600, 1200, "100")])
    [frame] = shown.framed
    assert frame.height_mm < frame.bar_y_mm < frame.frame_height_mm
    assert shown.bar_mm == 5
