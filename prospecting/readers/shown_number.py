"""What a spreadsheet shows in a cell that holds a number: the figure as its number format prints it.

A laboratory prints with formats: 4.2 under `0.00` is shown as 4.20, and some write a limit as a figure under `"<"0.000`. What
is shown is what the certificate says. Number formats: ECMA-376 part 1, 18.8.30 and 18.8.31 (from memory).
"""

import re
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache

_PARTS = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|[_*].|\[(?P<bracket>[^\]]*)\]|(?P<general>General)'
    r"|(?P<digits>[0#?][0#?,.]*|\.[0#?]+)(?P<power>E[+-]0+)?|(?P<percent>%)|(?P<other>.)",
    re.IGNORECASE | re.DOTALL,
)
_CONDITION = re.compile(r"\s*(?P<sign><=|>=|<>|<|>|=)\s*(?P<figure>-?[0-9.]+)\s*")
_HOLDS = {
    "<": lambda number, figure: number < figure,
    ">": lambda number, figure: number > figure,
    "<=": lambda number, figure: number <= figure,
    ">=": lambda number, figure: number >= figure,
    "=": lambda number, figure: number == figure,
    "<>": lambda number, figure: number != figure,
}
# More digits than that a spreadsheet does not show by itself.
_GENERAL_DIGITS = 11


def shown_number(number: Decimal, number_format: str) -> str:
    """Return the text a spreadsheet shows. Commas that only divide thousands are left out.

    >>> [shown_number(Decimal("4.2"), code) for code in ("General", "0.00", '"<"0.000', "[<5]0.0;0")]
    ['4.2', '4.20', '<4.200', '4.2']
    """
    sections = _sections(number_format)
    code, is_own_sign = _section_for(number, sections)
    # A format may show nothing at all; the figure is then given plain, so that none goes missing.
    return _rendered(abs(number) if is_own_sign else number, code) or general(number)


def general(number: Decimal) -> str:
    """The figure without a format of its own.

    >>> general(Decimal("0.30000000000000004")), general(Decimal("234566")), general(Decimal("1E-3"))
    ('0.3', '234566', '0.001')
    """
    if number == number.to_integral_value():
        return f"{number.quantize(Decimal(1)):f}" if abs(number) < Decimal(10) ** 20 else f"{number:e}"
    rounded = Decimal(f"{number:.{_GENERAL_DIGITS - 1}e}")
    return f"{rounded.normalize():f}" if abs(number) >= Decimal("1e-9") else f"{rounded.normalize():e}"


@lru_cache(maxsize=200)
def _sections(number_format: str) -> tuple[str, ...]:
    """The parts between semicolons that are no part of a quoted text."""
    sections = [""]
    for match in _PARTS.finditer(number_format):
        if match["other"] == ";":
            sections.append("")
        else:
            sections[-1] += match[0]
    return tuple(sections)


def _section_for(number: Decimal, sections: tuple[str, ...]) -> tuple[str, bool]:
    """Return the part that holds for this number, and whether it writes the sign of a negative one itself."""
    conditions = [_condition(section) for section in sections]
    if any(conditions):
        for section, condition in zip(sections, conditions, strict=True):
            if condition is None or _HOLDS[condition[0]](number, condition[1]):
                return section, False
        return "General", False
    if len(sections) > 1 and number < 0:
        return sections[1], True
    if len(sections) > 2 and number == 0:
        return sections[2], False
    return sections[0], False


def _condition(section: str) -> tuple[str, Decimal] | None:
    for match in _PARTS.finditer(section):
        condition = _CONDITION.fullmatch(match["bracket"] or "")
        if condition:
            return condition["sign"], Decimal(condition["figure"])
    return None


def _rendered(number: Decimal, code: str) -> str:
    parts = list(_PARTS.finditer(code))
    percent = sum(1 for part in parts if part["percent"])
    number = number.scaleb(2 * percent)
    blocks = [part for part in parts if part["digits"] or part["general"]]
    # Fractions, or digits torn apart by text: shown as a plain figure.
    if len(blocks) > 1:
        return general(number)
    text = ""
    for part in parts:
        if part["digits"]:
            text += _power(number, part) if part["power"] else _digits(number, part["digits"])
        elif part["general"]:
            text += general(number)
        else:
            text += (
                part["quoted"] or part["escaped"] or part["percent"] or (part["other"] or "").replace("@", "")
            )
    return text.strip()


def _digits(number: Decimal, code: str) -> str:
    # Commas at the end each divide by a thousand; those between digits only divide thousands for the eye.
    number = number.scaleb(-3 * (len(code) - len(code.rstrip(","))))
    whole, _, behind = code.rstrip(",").partition(".")
    rounded = abs(number).quantize(Decimal(1).scaleb(-len(behind)), rounding=ROUND_HALF_UP)
    before, _, after = f"{rounded:f}".partition(".")
    least = behind.rstrip("#?").count("0") + behind.rstrip("#?").count("#")
    while len(after) > least and after.endswith("0"):
        after = after[:-1]
    before = (before if before != "0" else "").rjust(whole.count("0"), "0")
    sign = "-" if number < 0 and rounded else ""
    return f"{sign}{before}{'.' if after else ''}{after}"


def _power(number: Decimal, part: re.Match) -> str:
    return f"{number:.{len(part['digits'].partition('.')[2])}E}"
