"""The scale of a picture: how many of its pixels are a millimetre, from a scale bar in it, and whether that can be right."""

from decimal import Decimal

from prospecting.calc.guard import Guard
from prospecting.calc.number_words import numeral

# What a picture of gold, a pan or a row of pans can show across (common practice, no source): a close look at the gold still
# shows a centimetre, a row of pans stays under five metres.
NARROWEST_MM, WIDEST_MM = Decimal(10), Decimal(5000)
# How far off an end may be set by a finger, in pixels of the picture (our own assumption).
SET_OFF_PX = Decimal(10)
# From here on the guard asks: an end set so far off would move the scale by more than this share.
MOST_OFF = Decimal("0.1")
BEYOND_PX_PER_MM = 100_000
SCALE_STEP = Decimal("0.0001")


def distance_px(x1: Decimal, y1: Decimal, x2: Decimal, y2: Decimal) -> Decimal:
    """Return how far apart two places of a picture are, all in pixels.

    >>> distance_px(Decimal(10), Decimal(20), Decimal(310), Decimal(420))
    Decimal('500')
    """
    return ((x2 - x1) ** 2 + (y2 - y1) ** 2).sqrt()


def px_per_mm(length_px: Decimal, length_mm: Decimal) -> Decimal:
    """Return how many pixels of a picture are a millimetre, to four places, from the length of its scale bar.

    ValueError for a length not above 0, or a scale beyond all pictures (below 0.0001 or from 100,000 pixels per mm).

    >>> px_per_mm(Decimal(500), Decimal(50))
    Decimal('10.0000')
    """
    if length_px <= 0 or length_mm <= 0:
        raise ValueError(
            f"{numeral(length_px, 'f')} pixels for {numeral(length_mm, 'f')} mm: both lengths are above 0."
        )
    scale = (length_px / length_mm).quantize(SCALE_STEP)
    if not 0 < scale < BEYOND_PX_PER_MM:
        raise ValueError(
            f"{numeral(length_px, 'f')} pixels for {numeral(length_mm, 'f')} mm: no picture has such a scale. Check the unit."
        )
    return scale


def size_mm(size_px: int, scale_px_per_mm: Decimal) -> Decimal:
    """Return what a picture of so many pixels shows across, in mm to a tenth; ValueError for a scale not above 0.

    >>> size_mm(1600, Decimal("10"))
    Decimal('160.0')
    """
    if scale_px_per_mm <= 0:
        raise ValueError(f"{scale_px_per_mm} pixels per mm: a scale is above 0.")
    return (Decimal(size_px) / scale_px_per_mm).quantize(Decimal("0.1"))


def scale_guard(length_px: Decimal, scale_px_per_mm: Decimal, width_px: int) -> Guard:
    """Return what a scale means for the whole picture, and a question where that cannot be or the bar is too short to tell.

    >>> scale_guard(Decimal(500), Decimal("800"), 1600).ask.partition(".")[0]
    'That makes the whole picture 2'
    >>> scale_guard(Decimal(500), Decimal("10"), 1600).ask is None
    True
    """
    width = size_mm(width_px, scale_px_per_mm)
    off = SET_OFF_PX / length_px
    sentence = (
        f"The picture is {width} mm wide; an end of the bar set {SET_OFF_PX} pixels off would make it "
        f"{numeral(off * 100, '.1f')} % wider or narrower."
    )
    ask = None
    if width < NARROWEST_MM:
        ask = (
            f"That makes the whole picture {width} mm wide. A pan is 250 to 360 mm wide, and a close look at the gold "
            f"still shows some {NARROWEST_MM} mm: is the length of the bar right, and its unit?"
        )
    elif width > WIDEST_MM:
        ask = (
            f"That makes the whole picture {numeral(width / 1000, '.1f')} m wide, wider than a row of pans: "
            "is the length of the bar right, and its unit?"
        )
    elif off > MOST_OFF:
        ask = (
            f"The bar is only {length_px:.0f} pixels long: an end set {SET_OFF_PX} pixels off would change the scale by "
            f"{off * 100:.0f} %. Is there a longer one, or something else of known length?"
        )
    return Guard(sentence, ask)
