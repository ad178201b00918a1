"""One cell of a gold column in; what it says out: a figure, a limit, a mark, or not understood."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.units import convert_mass
from prospecting.readers.titles import in_g_per_t

VALUE, BELOW, ABOVE = "value", "below", "above"
NOT_ENOUGH = to_phrase("not enough sample")
NOT_RECEIVED, NOT_ANALYSED = to_phrase("not received"), to_phrase("not analysed")
BLANK_CELL, NOT_UNDERSTOOD = "blank cell", to_phrase("not understood")

# Legends differ between laboratories (reference list of marks: common practice, no source).
_MARKS = {
    "NSS": NOT_ENOUGH,
    "IS": NOT_ENOUGH,
    "LNR": NOT_RECEIVED,
    "NA": NOT_ANALYSED,
    "N/A": NOT_ANALYSED,
    "-": NOT_ANALYSED,
    "--": NOT_ANALYSED,
}
_FIGURE = re.compile(r"(?P<sign>[<>]?)\s*(?P<figure>[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]{1,2})?)")
_PLAIN = re.compile(r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_IN_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]+)?")
_MAYBE_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
LONGEST_CELL = 60
# Pure gold is a million grams per tonne; no assay sees a millionth of a gram in one.
MOST_G_PER_T = Decimal(1_000_000)
LEAST_G_PER_T = Decimal("0.000001")
# A screen fire assay takes about a kilogram (common practice, no source); no laboratory screens a tonne.
MOST_FRACTION_G = Decimal(1_000_000)
MASS_STEP_G = Decimal("0.001")


@dataclass(frozen=True)
class CellRead:
    """`complaint` is the rest of a sentence that begins with the place and the text of the cell."""

    symbol: str
    grade_g_per_t: Decimal | None = None
    limit_g_per_t: Decimal | None = None
    complaint: str = ""


def decimal_signs(cells: Iterable[str]) -> frozenset[str]:
    """Return which of "." and "," stand in the figures of these cells."""
    found = set()
    for cell in cells:
        match = _FIGURE.fullmatch(cell.strip()[:LONGEST_CELL])
        if match:
            found.update(sign for sign in ".," if sign in match["figure"])
    return frozenset(found)


def is_reading(raw_text: str) -> bool:
    """Whether the cell holds a figure or a mark, whatever its unit."""
    text = raw_text.strip()
    return _mark(text) is not None or _FIGURE.fullmatch(text[:LONGEST_CELL]) is not None


def read_cell(raw_text: str, unit: str | None, *, decimal_comma: bool, signs: frozenset[str]) -> CellRead:
    """Read one cell of a gold column.

    `decimal_comma` is whether a comma may be the decimal sign (the file is cut at semicolons); `signs` are the decimal
    signs seen in the whole file. Without a unit a figure stays not understood; marks do not need one.
    """
    read = _read_figure(raw_text, decimal_comma, signs)
    if isinstance(read, CellRead):
        return read
    if unit is None:
        return CellRead(NOT_UNDERSTOOD)
    sign, figure = read
    return _reading(sign, in_g_per_t(figure, unit))


def read_gold_mass(
    raw_text: str, unit: str | None, mass_g: Decimal | None, *, decimal_comma: bool, signs: frozenset[str]
) -> CellRead:
    """Read one cell that gives the gold of a plus fraction as a mass; its grade is reckoned with the fraction's mass."""
    read = _read_figure(raw_text, decimal_comma, signs)
    if isinstance(read, CellRead):
        return read
    if unit is None:
        return CellRead(NOT_UNDERSTOOD)
    if not mass_g:
        return CellRead(
            NOT_UNDERSTOOD,
            complaint=phrase("is gold as a mass, and the line gives no mass of the fraction it was in."),
        )
    sign, figure = read
    return _reading(sign, grade_g_per_t(convert_mass(figure, unit, "mg"), mass_g))


def read_mass_g(
    raw_text: str, unit: str | None, *, decimal_comma: bool, signs: frozenset[str]
) -> tuple[Decimal | None, str]:
    """Return the mass of a fraction in g, None where none is printed; and the complaint about a cell that is no mass."""
    read = _read_figure(raw_text, decimal_comma, signs)
    if isinstance(read, CellRead):
        return None, read.complaint
    if unit is None:
        return None, ""
    sign, figure = read
    mass_g = convert_mass(figure, unit, "g").quantize(MASS_STEP_G)
    if sign or not 0 < mass_g <= MOST_FRACTION_G:
        return None, phrase(
            "is no mass of a fraction: give one above 0 g, at most {most} g.",
            most=numeral(MOST_FRACTION_G, "f"),
        )
    return mass_g, ""


def _read_figure(
    raw_text: str, decimal_comma: bool, signs: frozenset[str]
) -> "CellRead | tuple[str, Decimal]":
    """Sign and figure of a cell; what was read where it holds no figure."""
    text = raw_text.strip()
    if not text:
        return CellRead(BLANK_CELL)
    mark = _mark(text)
    if mark:
        return CellRead(mark)
    match = _FIGURE.fullmatch(text) if len(text) <= LONGEST_CELL else None
    if match is None:
        return CellRead(NOT_UNDERSTOOD, complaint=_why_not(text))
    figure, complaint = _figure(match["figure"], decimal_comma, signs)
    if figure is None:
        return CellRead(NOT_UNDERSTOOD, complaint=complaint)
    return match["sign"], figure


def _reading(sign: str, g_per_t: Decimal) -> CellRead:
    if g_per_t > MOST_G_PER_T:
        return CellRead(
            NOT_UNDERSTOOD, complaint=phrase("is more than pure gold; check the unit of the column.")
        )
    if 0 < g_per_t < LEAST_G_PER_T:
        return CellRead(
            NOT_UNDERSTOOD, complaint=phrase("is less than any assay can see; check the unit of the column.")
        )
    if sign and g_per_t == 0:
        return CellRead(
            NOT_UNDERSTOOD, complaint=phrase("is a limit of nought; ask the laboratory what it means.")
        )
    if sign:
        return CellRead(BELOW if sign == "<" else ABOVE, limit_g_per_t=g_per_t)
    if g_per_t == 0:
        return CellRead(
            VALUE,
            g_per_t,
            complaint=phrase(
                "is printed as nought and kept so; ask the laboratory whether it means below its limit."
            ),
        )
    return CellRead(VALUE, g_per_t)


def _mark(text: str) -> str | None:
    return _MARKS.get(text.upper().replace(".", "")) if len(text) <= 6 else None


def _figure(text: str, decimal_comma: bool, signs: frozenset[str]) -> tuple[Decimal | None, str]:
    """The number, or None with a complaint."""
    if not decimal_comma:
        if _IN_THOUSANDS.fullmatch(text) and "." in text:
            text = text.replace(",", "")
        elif "," in text:
            return None, phrase(
                "has a comma that may divide thousands or decimals; write the figure with a point."
            )
    else:
        if len(signs) == 2 and _MAYBE_THOUSANDS.fullmatch(text):
            return None, phrase(
                "may be thousands or decimals, as this file uses both signs; write the file with one of them."
            )
        if "," in text and "." in text:
            return None, phrase("has both a comma and a point; write the figure with one decimal sign.")
        text = text.replace(",", ".")
    if not _PLAIN.fullmatch(text):
        return None, phrase("is not a figure as written.")
    return Decimal(text), ""


def _why_not(text: str) -> str:
    if len(text) > LONGEST_CELL:
        return phrase("is longer than {most} signs and no figure.", most=LONGEST_CELL)
    if re.fullmatch(r"[-−][0-9.,]+", text):
        return phrase(
            "is below nought; some laboratories print a limit so. Ask this one, then write it with “<”."
        )
    return phrase("is not a figure or a mark known here; ask the laboratory what it means.")
