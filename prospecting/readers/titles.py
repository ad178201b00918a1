"""What the titles of a certificate's columns mean: tag, gold grade, mass, unit, method, repeat.

How laboratories title their columns differs; the spellings here are common practice, no source. Whatever can be meant in
two ways is given back as a question, never guessed.
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.language import phrase

LONGEST_TITLE = 120

# The words a screen shows for each unit, and how the figure becomes g/t. An ounce of gold is a troy ounce (common
# practice of assayers, no source); a troy ounce per tonne is its own weight in grams per tonne.
GRADE_UNITS: dict[str, str] = {
    "g/t": "g_per_t",
    "ppm": "ppm",
    "ppb": "ppb",
    "%": "percent",
    "troy oz per short ton": "ozt_per_short_ton",
    "troy oz per long ton": "ozt_per_long_ton",
    "troy oz per tonne": "ozt_per_tonne",
}

_OVER = r"(?:\s?[/_]\s?|\s?per\s)"
_OUNCE = r"(?:tr(?:oy)?[\s.]*)?(?:ozt|oz|ounces?)(?:\s?troy|\s?t(?=\s?/))?\.?"
_TONNE = r"(?:tonnes?|mt|metric\stons?|metric\stonnes?)"
_UNIT_PATTERNS: tuple[tuple[str, str], ...] = (
    ("ppm", rf"ppm|mg{_OVER}kg|[uµμ]g{_OVER}g"),
    ("ppb", rf"ppb|[uµμ]g{_OVER}kg|ng{_OVER}g|mg{_OVER}(?:t|{_TONNE})"),
    ("g/t", rf"gpt|(?:g|gms?|gram(?:me)?s?){_OVER}(?:t|{_TONNE})"),
    ("%", r"wt\s?%|%|pct|percent|per\scent"),
    (
        "troy oz per short ton",
        rf"{_OUNCE}{_OVER}(?:st|sht|s\.?\s?tons?|short\stons?|us\stons?|tons?\s?\(?short\)?)",
    ),
    ("troy oz per long ton", rf"{_OUNCE}{_OVER}(?:lt|l\.?\s?tons?|long\stons?|tons?\s?\(?long\)?)"),
    ("troy oz per tonne", rf"{_OUNCE}{_OVER}{_TONNE}"),
)
# Which ton, or which thousand: only the laboratory or the member can say.
_UNCLEAR = rf"opt|{_OUNCE}{_OVER}(?:t|tons?)|(?:g|gms?|gram(?:me)?s?){_OVER}tons?|ppt|dwts?(?:{_OVER}[a-z]+)?"


def _word(pattern: str) -> re.Pattern:
    """A pattern that stands by itself: no letter before or after it."""
    return re.compile(rf"(?<![^\W\d_])(?:{pattern})(?![^\W\d_])", re.IGNORECASE)


_UNITS = tuple((unit, _word(pattern)) for unit, pattern in _UNIT_PATTERNS)
_UNCLEAR_UNIT = _word(_UNCLEAR)

_ELEMENT = re.compile(
    r"(?<![^\W\d_])(?:gold|au(?=ppm|ppb|gpt|opt|(?:rpt|rep|repeat|dup|chk|r)(?![^\W\d_]))|au(?![^\W\d_]))",
    re.IGNORECASE,
)
_OF_GOLD_YET_NO_GRADE = re.compile(
    r"ratio|recover|limit|error|uncert|deviation|±|\b(?:ag|cu|pb|zn|as|te|s)\s?[/:]\s?au\b|\bau\s?[/:]\s?(?:ag|cu|pb|zn|as|te|s)\b"
    r"|(?<![^\W\d_])(?:lod|ldl|udl|mdl|lor|dl|sd|rsd)(?![^\W\d_])",
    re.IGNORECASE,
)
# The two parts of a screen fire assay: neither is the grade of the sample.
_SIZE = r"\d+(?:\.\d+)?\s?(?:µm|μm|um|microns?|mesh|#)"
_PARTS = {
    "plus": re.compile(
        rf"(?<![^\W\d_])(?:plus|coarse|oversize)(?![^\W\d_])|\(\s?\+\s?\)|(?<![A-Za-z0-9])\+\s?{_SIZE}",
        re.IGNORECASE,
    ),
    "minus": re.compile(
        rf"(?<![^\W\d_])(?:minus|fines?|undersize)(?![^\W\d_])|\(\s?[-−–]\s?\)|(?<![A-Za-z0-9])[-−–]\s?{_SIZE}",
        re.IGNORECASE,
    ),
}
_SCREEN_HALF = re.compile(
    "|".join([r"fraction", *(pattern.pattern for pattern in _PARTS.values())]), re.IGNORECASE
)
_MASS = re.compile(r"(?<![^\W\d_])(?:weight|wt|mass|recvd|mg|bead)(?![^\W\d_])", re.IGNORECASE)
_MASS_UNIT = _word("kg|g|mg|lbs?")
_REPEAT = re.compile(
    r"(?<![^\W\d_])(?:au)?(?:(?P<repeat>r|rpt|rep|repeat)|(?P<duplicate>dup|duplicate)|(?P<check>chk|check))\d*(?![^\W\d_])",
    re.IGNORECASE,
)
_LABORATORYS_OWN = re.compile(r"\blab(?:oratory)?\b|\bour\b|\bjob\b", re.IGNORECASE)
_NUMBER_WORD = r"(?:id|no|nr|num|number|name|code|ref|reference|ident|identification|description)?"
_TAG_TITLES = (
    re.compile(rf"(?:sample )?(?:tag|ticket) ?{_NUMBER_WORD}"),
    re.compile(rf"(?:client |your |field )?samples? ?{_NUMBER_WORD}"),
    re.compile(rf"(?:client|your|field|customer) ?{_NUMBER_WORD}"),
    re.compile("id|no|number|name|description|identification"),
)


@dataclass(frozen=True)
class UnitRead:
    """The unit a text prints: one key of GRADE_UNITS, or None with the unclear words, or None with nothing."""

    unit: str | None
    unclear: str = ""


def read_unit(text: str) -> UnitRead:
    """Return the unit of grade printed somewhere in `text`.

    >>> read_unit("Au_ppm"), read_unit("Gold, troy oz per short ton").unit, read_unit("Au oz/ton")
    (UnitRead(unit='ppm', unclear=''), 'troy oz per short ton', UnitRead(unit=None, unclear='oz/ton'))
    """
    found = {}
    rest = _without_element(text[:LONGEST_TITLE])
    for unit, pattern in _UNITS:
        match = pattern.search(rest)
        if match:
            found[unit] = match[0]
            rest = pattern.sub(" ", rest)
    unclear = _UNCLEAR_UNIT.search(rest)
    if unclear:
        found["unclear"] = unclear[0]
    # ppm and g/t side by side say the same thing.
    if set(found) == {"ppm", "g/t"}:
        del found["ppm"]
    if len(found) == 1 and not unclear:
        return UnitRead(next(iter(found)))
    return UnitRead(None, " and ".join(found.values()))


def _without_element(text: str) -> str:
    """So that "Auppm" and "g Au/t" show their unit."""
    return " ".join(_ELEMENT.sub(" ", text).split())


def known_unit(text: str) -> str:
    """Return the unit a member chose, given in words or as a key of `calc.units`; ValueError with a sentence."""
    codes = {code: unit for unit, code in GRADE_UNITS.items()}
    unit = codes.get(text) or (text if text in GRADE_UNITS else read_unit(text).unit)
    if unit is None:
        raise ValueError(
            phrase(
                "“{unit}” is not a unit of grade known here. Choose one of: {known}.",
                unit=text,
                known=", ".join(GRADE_UNITS),
            )
        )
    return unit


def in_g_per_t(figure: Decimal, unit: str) -> Decimal:
    """Return a figure printed in `unit` (a key of GRADE_UNITS) in g/t; exact wherever the decimal ends.

    >>> in_g_per_t(Decimal("3.5"), "ppb"), in_g_per_t(Decimal(7), "troy oz per short ton")
    (Decimal('0.0035'), Decimal('240'))
    """
    code = GRADE_UNITS[unit]
    if code == "ozt_per_tonne":
        return units.convert_mass(figure, "ozt", "g")
    return units.convert_grade(figure, code, "g_per_t")


def names_gold(title: str) -> bool:
    if len(title) > LONGEST_TITLE:
        return False
    folded = title.lower()
    # Most cells of a file end here, before the slower look.
    return ("au" in folded or "gold" in folded) and bool(_ELEMENT.search(title))


def meaning_of(title: str) -> str:
    """Return "grade", "screen half", "mass" or "other"; whether a column holds the tags is settled by `tag_rank`."""
    if names_gold(title) and not _OF_GOLD_YET_NO_GRADE.search(title):
        read = read_unit(title)
        if not (read.unit or read.unclear) and _MASS.search(title):
            return "mass"
        return "screen half" if is_screen_half(title) else "grade"
    if len(title) <= LONGEST_TITLE and _MASS.search(title) and not read_unit(title).unit:
        return "mass"
    return "other"


def heads_readings(title: str) -> bool:
    """Whether a title names gold as a grade, or as the bead of a screen assay's plus part in mg."""
    meaning = meaning_of(title)
    if meaning == "mass":
        return names_gold(title) and screen_part(title) == "plus"
    return meaning in ("grade", "screen half")


def is_screen_half(text: str) -> bool:
    return bool(_SCREEN_HALF.search(text[:LONGEST_TITLE]))


def screen_part(text: str) -> str:
    """Return "plus" or "minus" where the text names that part of a screen fire assay alone, else nothing.

    >>> [screen_part(title) for title in ("Au +106 µm", "Au (-) ppm", "Au screen fraction")]
    ['plus', 'minus', '']
    """
    named = [part for part, pattern in _PARTS.items() if pattern.search(text[:LONGEST_TITLE])]
    return named[0] if len(named) == 1 else ""


def mass_unit(title: str) -> str | None:
    match = _MASS_UNIT.search(title[:LONGEST_TITLE])
    return match[0].lower() if match else None


def tag_rank(title: str) -> int | None:
    """Return how surely a title heads the tags, 0 the surest; None where it does not."""
    if len(title) > LONGEST_TITLE or _LABORATORYS_OWN.search(title):
        return None
    plain = " ".join(re.sub(r"[\W_]+", " ", title).split()).lower()
    return next((rank for rank, pattern in enumerate(_TAG_TITLES) if pattern.fullmatch(plain)), None)


def repeat_mark(title: str) -> str:
    """Return "repeat", "duplicate", "check" or nothing, as the title of a gold column says."""
    match = _REPEAT.search(title)
    return match.lastgroup if match else ""


def method_in(title: str) -> str:
    """Return what is left of a gold title without element, unit and repeat mark: the method, as printed.

    >>> method_in("Au_FA30_ppm"), method_in("Gold by fire assay 30 g (g/t)")
    ('FA30', 'fire assay 30 g')
    """
    rest = _without_element(_REPEAT.sub(" ", title))
    for pattern in (*(pattern for _, pattern in _UNITS), _UNCLEAR_UNIT):
        rest = pattern.sub(" ", rest)
    rest = re.sub(r"\(\s*\)|\[\s*\]", " ", rest.replace("_", " "))
    rest = re.sub(r"^\s*(?:by|in)\s|\s(?:by|in)\s*$", " ", " ".join(rest.split()), flags=re.IGNORECASE)
    return rest.strip(" ,;:-/()[]")
