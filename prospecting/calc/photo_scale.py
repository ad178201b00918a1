"""The scale of a picture: how many of its pixels are a millimetre, from a scale bar in it, and whether that can be right."""

from decimal import Decimal

from prospecting.calc.guard import Guard
from prospecting.calc.language import phrase
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
            phrase(
                "{pixels} pixels for {length} mm: both lengths are above 0.",
                pixels=numeral(length_px, "f"),
                length=numeral(length_mm, "f"),
            )
        )
    scale = (length_px / length_mm).quantize(SCALE_STEP)
    if not 0 < scale < BEYOND_PX_PER_MM:
        raise ValueError(
            phrase(
                "{pixels} pixels for {length} mm: no picture has such a scale. Check the unit.",
                pixels=numeral(length_px, "f"),
                length=numeral(length_mm, "f"),
            )
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
    sentence = phrase(
        "The picture is {width} mm wide; an end of the bar set {pixels} pixels off would make it {share} % wider or "
        "narrower.",
        width=width,
        pixels=SET_OFF_PX,
        share=numeral(off * 100, ".1f"),
    )
    ask = None
    if width < NARROWEST_MM:
        ask = phrase(
            "That makes the whole picture {width} mm wide. A pan is 250 to 360 mm wide, and a close look at the gold "
            "still shows some {narrowest} mm: is the length of the bar right, and its unit?",
            width=width,
            narrowest=NARROWEST_MM,
        )
    elif width > WIDEST_MM:
        ask = phrase(
            "That makes the whole picture {width} m wide, wider than a row of pans: "
            "is the length of the bar right, and its unit?",
            width=numeral(width / 1000, ".1f"),
        )
    elif off > MOST_OFF:
        ask = phrase(
            "The bar is only {length} pixels long: an end set {pixels} pixels off would change the scale by {share} %. Is "
            "there a longer one, or something else of known length?",
            length=numeral(length_px, ".0f"),
            pixels=SET_OFF_PX,
            share=numeral(off * 100, ".0f"),
        )
    return Guard(sentence, ask)
