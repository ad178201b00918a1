"""Paper tags drawn in millimetres: what a lot's tag says, set into a label of any size, many labels on a sheet.

All black: dyes fade in the sun, and a printer without colours turns them into greys. A zone is told by the pattern of its
stripe and by its name.
"""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils.formats import date_format

from prospecting.calc import units
from prospecting.calc.label_sheets import LabelSheet
from prospecting.calc.language import phrase
from prospecting.calc.tag_address import capital_address
from prospecting.models import Lot

# ISO/IEC 18004 asks for four light modules around the square.
QUIET_MODULES = 4
LARGEST_SQUARE_MM, LARGEST_LINE_MM, SMALLEST_LINE_MM = 40, 6.5, 1.6
# Width of a sign as a share of the size it is set in: in the usual fixed-width fonts; and in the widest of the usual others.
FIXED_WIDTH = 0.61
THIN, LETTER, CAPITAL, BROAD = 0.38, 0.64, 0.74, 1.05
# Shares of the text's height, in lines of the ordinary size: the code, any line with the gap above it, the stripe.
CODE_LINES, LINE, STRIPE_LINES = 2.1, 1.3, 1.5
# Capitals as a share of the size they are set in.
LETTER_HEIGHT = 0.78
# Below this height (mm) the stripe stands beside the zone's name and the facts share one line.
ROOMY_FROM_MM = 14
# More than the widest label and the highest stripe.
STRIPE_WIDTH_MM, STRIPE_HEIGHT_MM = 300, 8
# A hair less than the paper, so that no browser rounds one sheet up to two pages.
SHORTER_MM = Decimal("0.2")


@dataclass(frozen=True)
class TagWords:
    """What a tag says. `code` and `check` are the code and its check letter, `address` is what its square says."""

    code: str
    check: str
    address: str
    kind: str
    mass: str
    day: str
    zone: str
    stripe: str
    is_marked: bool


def tag_words(lot: Lot, *, zones: Sequence[str], address: str, mass_unit: str) -> TagWords:
    """Return the words of this lot's tag; its square says `address` in capitals, and `lot.made_by.dig` is read for its dig."""
    code, check = lot.code_parts
    return TagWords(
        code=code,
        check=check,
        address=capital_address(address),
        kind=_kind_words(lot),
        mass=units.format_mass(lot.mass_g, mass_unit),
        day=date_format(lot.made_by.done_on, "j M Y"),
        zone=_zone_words(zones),
        stripe=lot.stripe,
        is_marked=lot.is_marked,
    )


def _kind_words(lot: Lot) -> str:
    """Kind, number and what it is: "Portion 7 of BRK-47-T", "Bucket, dig 12, north face"."""
    # A portion that was not named otherwise is called so when it is cut; twice would be once too often on a tag.
    named = f"number {lot.portion_number} of "
    kind, title = lot.get_kind_display(), lot.title
    if title.startswith(named):
        return phrase(
            "{kind} {number} of {lot}",
            kind=kind,
            number=lot.portion_number,
            lot=title.removeprefix(named),
        )
    dig = getattr(lot.made_by, "dig", None)
    if lot.portion_number:
        kind = phrase("{kind} {number}", kind=kind, number=lot.portion_number)
    elif dig:
        kind = phrase("{kind}, dig {number}", kind=kind, number=dig.pk)
    return f"{kind}, {title}" if title else kind


def _zone_words(zones: Sequence[str]) -> str:
    if not zones:
        return phrase("zone not known")
    return zones[0] if len(zones) == 1 else phrase("Mixed: {zones}", zones=", ".join(zones))


@dataclass(frozen=True)
class Line:
    """One line of text, its baseline at `y`; with `sign`, a warning triangle of the letters' height before it."""

    text: str
    x: str
    text_x: str
    y: str
    size: str
    sign: bool = False


@dataclass(frozen=True)
class TagDrawing:
    """Everything one tag is drawn from; lengths in hundredths of a mm from the label's upper left corner."""

    words: TagWords
    x: str
    y: str
    width: str
    height: str
    square: str
    square_x: str
    square_y: str
    module: str
    code: Line
    lines: Sequence[Line]
    stripe_x: str
    stripe_y: str
    stripe_width: str
    stripe_height: str


@dataclass(frozen=True)
class SheetDrawing:
    """`width_mm` and `height_mm` of the paper, the same in hundredths, and the tags on it."""

    width_mm: Decimal
    height_mm: Decimal
    width: str
    height: str
    tags: Sequence[TagDrawing]


def draw_sheets(tags: Sequence[TagWords], sheet: LabelSheet, *, first_label: int = 1) -> list[SheetDrawing]:
    """Return the sheets that hold `tags` in their order, leaving free the labels before `first_label` of the first."""
    places = sheet.places()
    sheets: dict[int, list[TagDrawing]] = {}
    for number, words in enumerate(tags, start=first_label - 1):
        page, place = divmod(number, len(places))
        sheets.setdefault(page, []).append(draw_tag(words, sheet, places[place]))
    width, height = sheet.paper.width_mm, sheet.paper.height_mm - SHORTER_MM
    return [SheetDrawing(width, height, mm(width), mm(height), drawn) for drawn in sheets.values()]


def draw_tag(words: TagWords, sheet: LabelSheet, place: tuple[Decimal, Decimal]) -> TagDrawing:
    """Return one tag: the square at the left, or on top where the label is narrow, and the words beside it."""
    path, modules = square_path(words.address)
    width, height = float(sheet.width_mm), float(sheet.height_mm)
    # The square brings its own white edge; the words keep off the cut, which no printer meets to the millimetre.
    inset, edge = min(1.0, height / 24), 1.5 if height < 20 else 2.0
    if width > 1.2 * height:
        side = min(height - 2 * inset, 0.45 * width, LARGEST_SQUARE_MM)
        square_x, square_y = inset, (height - side) / 2
        block = _Block(inset + side, edge, width - inset - side - edge, height - 2 * edge)
    else:
        side = min(width - 2 * inset, 0.5 * height, LARGEST_SQUARE_MM)
        square_x, square_y = (width - side) / 2, inset
        block = _Block(edge, inset + side, width - 2 * edge, height - inset - side - edge)
    code, lines, stripe = block.filled(words)
    return TagDrawing(
        words=words,
        x=mm(place[0]),
        y=mm(place[1]),
        width=mm(width),
        height=mm(height),
        square=path,
        square_x=mm(square_x),
        square_y=mm(square_y),
        module=f"{100 * side / modules:.2f}",
        code=code,
        lines=lines,
        stripe_x=mm(stripe[0]),
        stripe_y=mm(stripe[1]),
        stripe_width=mm(stripe[2]),
        stripe_height=mm(stripe[3]),
    )


def square_path(text: str) -> tuple[str, int]:
    """Return the square for `text` as an SVG path of one unit a module, and the modules of a side with its white edge.

    Level Q mends a quarter of the square (ISO/IEC 18004: L 7, M 15, Q 25, H 30 percent): mud and scratches take patches.
    For an address in capitals it costs no finer modules up to 47 signs (version 3); level H would from 36 signs on, and
    fine modules are the first that a phone's camera loses on a 12 mm tape. Where H is free segno takes it.
    """
    import segno

    code = segno.make(text, error="q", micro=False)
    runs = []
    for y, row in enumerate(code.matrix, start=QUIET_MODULES):
        start = None
        for x, dark in enumerate([*row, 0], start=QUIET_MODULES):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                runs.append(f"M{start} {y}h{x - start}v1H{start}z")
                start = None
    return "".join(runs), len(code.matrix) + 2 * QUIET_MODULES


@dataclass(frozen=True)
class _Block:
    """The room for the words: code on top, the facts, the zone's name and its stripe at the bottom."""

    x: float
    y: float
    width: float
    height: float

    def filled(self, words: TagWords) -> tuple[Line, list[Line], tuple[float, float, float, float]]:
        """The code, the other lines, and the stripe as x, y, width and height."""
        roomy = self.height >= ROOMY_FROM_MM
        rows = _rows(words, room=self.width / SMALLEST_LINE_MM) if roomy else _one_row(words)
        needed = CODE_LINES + LINE * (len(rows) + 1) + (STRIPE_LINES if roomy else 0)
        size = min(self.height / needed, LARGEST_LINE_MM)
        signs = len(words.code) + len(words.check)
        code_size = min(CODE_LINES * size, self.width / (signs * FIXED_WIDTH))
        code_height = CODE_LINES * size
        code_y = self.y + code_height * LETTER_HEIGHT
        code = Line(words.code, mm(self.x), mm(self.x), mm(code_y), mm(code_size))
        lines = [
            fitted_line(
                text, self.x, self.y + code_height + (LINE * number - 0.3) * size, size, self.width, sign=sign
            )
            for number, (text, sign) in enumerate(rows, start=1)
        ]
        bottom = self.y + self.height
        if roomy:
            stripe = (self.x, bottom - 1.2 * size, self.width, 1.2 * size)
            zone_x, zone_y = self.x, bottom - 1.6 * size
        else:
            stripe = (self.x, bottom - 1.15 * size, 0.35 * self.width, 1.15 * size)
            zone_x, zone_y = self.x + 0.35 * self.width + 1, bottom - 0.25 * size
        room = self.x + self.width - zone_x
        return code, [*lines, fitted_line(words.zone, zone_x, zone_y, size, room, sign=False)], stripe


def _rows(words: TagWords, *, room: float) -> list[tuple[str, bool]]:
    """The facts as lines, True for the one with the warning sign; mass and day apart where one line would be cut short."""
    marked = [(phrase("MARKED"), True)] if words.is_marked else []
    together = f"{words.mass}, {words.day}"
    facts = [together] if _width(together) <= room else [words.mass, words.day]
    return [*marked, *((fact, False) for fact in [words.kind, *facts])]


def _one_row(words: TagWords) -> list[tuple[str, bool]]:
    """The facts in one line, what is needed most first: its end is what may be cut short."""
    facts = f"{words.mass}, {words.day}, {words.kind}"
    return [(phrase("MARKED {facts}", facts=facts), True)] if words.is_marked else [(facts, False)]


def fitted_line(text: str, x: float, y: float, size: float, room: float, *, sign: bool) -> Line:
    """The text at `size`, smaller where it would not fit, and cut short where even the smallest would not."""
    before = 1.15 if sign else 0
    size = max(min(size, room / (_width(text) + before)), min(size, SMALLEST_LINE_MM))
    # A little over, for rounding: a line made just small enough fits.
    while _width(text) + before > 1.001 * room / size and len(text) > 1:
        text = f"{text.removesuffix('…')[:-1].rstrip(' ,:')}…"
    return Line(text, mm(x), mm(x + before * size), mm(y), mm(size), sign)


def stripe_paths(names: set[str]) -> dict[str, str]:
    """Return for each of these stripes an SVG path that covers more than any tag's; the tag shows a piece of it.

    Paths, because browsers print a repeated pattern as a picture of it, blurred.
    """
    return {name: _STRIPES[name]() for name in sorted(names & _STRIPES.keys())}


def _slanted(period: float, *bars: tuple[float, float], lean: float = 1) -> str:
    """Bars (start, width) repeated every `period` mm; `lean` is how far they move sideways on each mm upward."""
    way, high = lean * STRIPE_HEIGHT_MM, mm(STRIPE_HEIGHT_MM)
    return "".join(
        f"M{mm(at + start)} {high}L{mm(at + start + way)} 0h{mm(width)}L{mm(at + start + width)} {high}z"
        for at in _steps(period)
        for start, width in bars
    )


def _checks(side: float) -> str:
    return "".join(
        f"M{mm(x + row % 2 * side)} {mm(row * side)}h{mm(side)}v{mm(side)}h-{mm(side)}z"
        for row in range(int(STRIPE_HEIGHT_MM / side) + 1)
        for x in _steps(2 * side)
    )


def _dots(radius: float, across: float, down: float) -> str:
    r = mm(radius)
    return "".join(
        f"M{mm(x)} {mm(down * (row + 0.5))}a{r} {r} 0 1 0 {mm(2 * radius)} 0a{r} {r} 0 1 0 -{mm(2 * radius)} 0z"
        for row in range(int(STRIPE_HEIGHT_MM / down) + 1)
        for x in _steps(across)
    )


def _level(period: float, height: float) -> str:
    lines = range(int(STRIPE_HEIGHT_MM / period) + 1)
    return "".join(f"M0 {mm(period * line)}h{mm(STRIPE_WIDTH_MM)}v{mm(height)}H0z" for line in lines)


def _steps(period: float) -> list[float]:
    """Where a figure is repeated, from left of the stripe on, so that none leaves its corner empty."""
    first = -int(STRIPE_HEIGHT_MM / period) - 1
    return [period * number for number in range(first, int(STRIPE_WIDTH_MM / period) + 1)]


# As on the screen's tags (static/prospecting/site.css), a millimetre for four of its pixels.
_STRIPES = {
    "a": lambda: _slanted(6, (0, 2.8)),
    "b": lambda: _slanted(2.25, (0, 0.75), lean=0),
    "c": lambda: _dots(0.85, 3.2, 2.4),
    "d": lambda: _checks(1.2),
    "e": lambda: _level(1.2, 0.5),
    "f": lambda: _slanted(9, (0, 6.3), lean=0),
    "g": lambda: _slanted(2.2, (0, 0.4)) + _slanted(2.2, (0, 0.4), lean=-1),
    "h": lambda: _slanted(6, (0, 0.6), (1.2, 0.6), lean=-1),
    "mixed": lambda: _slanted(1.8, (0, 0.4), lean=0) + f"M0 30h{mm(STRIPE_WIDTH_MM)}v60H0z",
}


def _width(text: str) -> float:
    """About how wide a text is, as a multiple of its size; rather too wide than too narrow."""
    return sum(map(_sign_width, text))


def _sign_width(sign: str) -> float:
    if sign in "mwMW@%…" or unicodedata.east_asian_width(sign) in "WF":
        return BROAD
    if sign in " .,:;'!|ijl":
        return THIN
    return CAPITAL if sign.isupper() else LETTER


def mm(length: float | Decimal) -> str:
    """A length in hundredths of a millimetre, the unit of the drawings.

    In whole millimetres a line of text would be 2 to 6 units high, and browsers enlarge text that small.
    """
    return f"{100 * length:.0f}"
