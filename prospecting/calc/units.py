"""Masses, volumes, grades, sizes and doses: read as people type them, converted exactly, shown in a reader's units.

Mass and volume factors are exact by definition (NIST SP 811, Appendix B; NIST Handbook 44, Appendix C). US teaspoon, cup,
pint, quart and gallon are meant wherever no other is named. A drop is nominal, 0.05 mL (common practice, no source): real
drops differ with the dropper and the liquid.
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import APART, COMMA, decimal_mark, in_mark, numeral

LONGEST_TEXT = 40
# A rounding no scale would show (our own limit, no source).
ALIKE_WITHIN = Decimal("0.0001")
# To what a thermometer in a tub and a test strip are kept.
TENTH = Decimal("0.1")

_GRAIN_G = Fraction("0.06479891")
_POUND_G = Fraction("453.59237")
_INCH_UM = Fraction(25400)
_GALLON_ML = Fraction("3785.411784")

MASS_G: dict[str, Fraction] = {
    "ug": Fraction(1, 10**6),
    "mg": Fraction(1, 1000),
    "g": Fraction(1),
    "kg": Fraction(1000),
    "t": Fraction(10**6),
    "short_ton": 2000 * _POUND_G,
    "long_ton": 2240 * _POUND_G,
    "lb": _POUND_G,
    "oz": _POUND_G / 16,
    "grain": _GRAIN_G,
    "dwt": 24 * _GRAIN_G,
    "ozt": 480 * _GRAIN_G,
}
VOLUME_ML: dict[str, Fraction] = {
    "drop": Fraction(1, 20),
    "mL": Fraction(1),
    "cL": Fraction(10),
    "dL": Fraction(100),
    "L": Fraction(1000),
    "tsp": _GALLON_ML / 768,
    "tbsp": _GALLON_ML / 256,
    "fl_oz": _GALLON_ML / 128,
    "cup": _GALLON_ML / 16,
    "pint": _GALLON_ML / 8,
    "quart": _GALLON_ML / 4,
    "gal": _GALLON_ML,
    "imp_gal": Fraction("4546.09"),
}
LENGTH_UM: dict[str, Fraction] = {
    "um": Fraction(1),
    "mm": Fraction(1000),
    "cm": Fraction(10**4),
    "m": Fraction(10**6),
    "inch": _INCH_UM,
    "ft": 12 * _INCH_UM,
}
# One troy ounce per short ton is 480 grains in 14 000 000, exactly 240/7 g/t; per long ton exactly 1500/49 g/t.
GRADE_G_PER_T: dict[str, Fraction] = {
    "g_per_t": Fraction(1),
    "ppm": Fraction(1),
    "ppb": Fraction(1, 1000),
    "percent": Fraction(10**4),
    "ozt_per_short_ton": 10**6 * MASS_G["ozt"] / MASS_G["short_ton"],
    "ozt_per_long_ton": 10**6 * MASS_G["ozt"] / MASS_G["long_ton"],
}
DOSE_ML_PER_L: dict[str, Fraction] = {
    "ml_per_l": Fraction(1),
    "tsp_per_us_gal": 1000 * VOLUME_ML["tsp"] / VOLUME_ML["gal"],
    "ppm": Fraction(1, 1000),
    "percent": Fraction(10),
}
# Hardness of water, as calcium carbonate. A grain per US gallon follows from the factors above (17.118 mg/L). A German degree
# is 10 mg of calcium oxide per litre (from memory: DIN 19640), 17.848 mg/L by molar masses of 100.09 and 56.08 g/mol (IUPAC).
HARDNESS_MG_PER_L: dict[str, Fraction] = {
    "mg/L": Fraction(1),
    "gpg": 10**6 * _GRAIN_G / _GALLON_ML,
    "°dH": 10 * Fraction("100.09") / Fraction("56.08"),
}
# Mass of ore whose gold in mg reads as troy ounces per ton.
SHORT_ASSAY_TON_G = MASS_G["short_ton"] / MASS_G["ozt"] / 1000
LONG_ASSAY_TON_G = MASS_G["long_ton"] / MASS_G["ozt"] / 1000

# Nominal openings in micrometres by sieve number. From memory: ASTM E11 (steps of the fourth root of 2).
ASTM_E11_UM: dict[int, Decimal] = {
    number: Decimal(opening)
    for number, opening in (
        (4, 4750), (5, 4000), (6, 3350), (7, 2800), (8, 2360), (10, 2000), (12, 1700), (14, 1400), (16, 1180),
        (18, 1000), (20, 850), (25, 710), (30, 600), (35, 500), (40, 425), (45, 355), (50, 300), (60, 250),
        (70, 212), (80, 180), (100, 150), (120, 125), (140, 106), (170, 90), (200, 75), (230, 63), (270, 53),
        (325, 45), (400, 38),
    )
}  # fmt: skip
# From memory: Tyler standard screen scale, based on 0.074 mm at 200 mesh, with its intermediate sieves.
TYLER_UM: dict[int, Decimal] = {
    number: Decimal(opening)
    for number, opening in (
        (4, 4699), (5, 3962), (6, 3327), (7, 2794), (8, 2362), (9, 1981), (10, 1651), (12, 1397), (14, 1168),
        (16, 991), (20, 833), (24, 701), (28, 589), (32, 495), (35, 417), (42, 351), (48, 295), (60, 246),
        (65, 208), (80, 175), (100, 147), (115, 124), (150, 104), (170, 88), (200, 74), (250, 61), (270, 53),
        (325, 43), (400, 37),
    )
}  # fmt: skip
_SIEVES = {
    "astm_e11": (to_phrase("US sieve (ASTM E11)"), ASTM_E11_UM),
    "tyler": (to_phrase("Tyler"), TYLER_UM),
}

UNIT_NAMES: dict[str, str] = {
    "ug": "µg",
    "short_ton": "short ton",
    "long_ton": "long ton",
    "oz": "oz (avoirdupois)",
    "ozt": "troy oz",
    "fl_oz": "US fl oz",
    "tsp": "US tsp",
    "tbsp": "US tbsp",
    "cup": "US cup",
    "pint": "US pint",
    "quart": "US quart",
    "gal": "US gal",
    "imp_gal": "imperial gal",
    "um": "µm",
    "inch": "in",
    "g_per_t": "g/t",
    "percent": "%",
    "ozt_per_short_ton": "troy oz per short ton",
    "ozt_per_long_ton": "troy oz per long ton",
    "ml_per_l": "mL/L",
    "tsp_per_us_gal": "tsp per US gal",
}


@dataclass(frozen=True)
class Quantity:
    """A measured amount as it was typed and in the site's own unit.

    `value` is in `unit`; `canonical` is in g (mg where gold was asked for), mL, g/t or µm; `typed` is the text untouched, but
    where only the reader's decimal mark says how it is meant: "1,234" gets a nought at its end, "1 234" loses its space.
    """

    value: Decimal
    unit: str
    canonical: Decimal
    typed: str


@dataclass(frozen=True)
class Dose:
    """Additive by volume: `ml_per_l`, and the amount and the water it was typed as, both in mL."""

    typed: str
    ml_per_l: Decimal
    amount_ml: Decimal
    water_ml: Decimal
    taken_as: str = ""

    @property
    def sentence(self) -> str:
        """What the entry means, with every unit that could be read another way named."""
        typed, dose = " ".join(self.typed.split()), format_dose(self.ml_per_l, "ml_per_l")
        if self.taken_as:
            return phrase("“{typed}” is {dose} ({note}).", typed=typed, dose=dose, note=self.taken_as)
        return phrase("“{typed}” is {dose}.", typed=typed, dose=dose)


@dataclass(frozen=True)
class TubAmounts:
    """Additive for one tub of water: the same amount in mL, nominal drops and US teaspoons."""

    ml: Decimal
    drops: Decimal
    teaspoons: Decimal

    def as_poured(self) -> str:
        """The amount in the measure one would really use: drops under 2.5 mL, mL and teaspoons above."""
        if self.ml == 0:
            return phrase("none")
        if self.ml >= Decimal("2.5"):
            return f"{_significant(self.ml, 3)} mL ({_significant(self.teaspoons, 2)} tsp)"
        whole = int(self.drops.to_integral_value())
        if whole == 0:
            return phrase(
                "less than one drop ({volume} mL): thin the additive first, then measure",
                volume=_significant(self.ml, 2),
            )
        count = phrase_counted("{number} drop", "{number} drops", whole)
        error = Decimal(whole) / self.drops - 1
        if abs(error) <= Decimal("0.05"):
            return count
        percent = f"{abs(error) * 100:.0f}"
        if error > 0:
            return phrase("{drops} ({percent} % more than the dose)", drops=count, percent=percent)
        return phrase("{drops} ({percent} % less than the dose)", drops=count, percent=percent)


@dataclass(frozen=True)
class _Kind:
    """One kind of measure: how its units are written and how it is spoken of in a refusal, its texts as in English."""

    name: str
    example: str
    factors: Mapping[str, Fraction]
    aliases: Mapping[str, str]
    chains: tuple[tuple[str, ...], ...]
    limit: Fraction
    limit_text: str
    questions: Mapping[str, str]

    def said(self) -> dict[str, str]:
        """The parts of a refusal that name it."""
        return {"kind": phrase(self.name), "example": phrase(self.example)}


def _spellings(table: dict[str, str]) -> dict[str, str]:
    return {spelling.strip(): unit for unit, text in table.items() for spelling in text.split(",")}


_ASK_TON = to_phrase("Which ton? Write short ton (2000 lb), long ton (2240 lb) or tonne (1000 kg).")
_ASK_OUNCE = to_phrase("Troy oz or avoirdupois oz? Write “troy oz” (31.1 g) or “avoirdupois oz” (28.3 g).")
_ASK_GR = to_phrase("“gr” is read as gram by some and as grain by others. Write g or grain.")

_MASS_SPELLINGS = _spellings(
    {
        "ug": "ug, μg, microgram, micrograms",
        "mg": "mg, mgs, milligram, milligrams, milligramme, milligrammes",
        "g": "g, gm, gms, gram, grams, gramme, grammes",
        "kg": "kg, kgs, kilo, kilos, kilogram, kilograms, kilogramme, kilogrammes",
        "t": "t, tonne, tonnes, metric ton, metric tons",
        "short_ton": "short ton, short tons, us short ton, us short tons",
        "long_ton": "long ton, long tons",
        "lb": "lb, lbs, pound, pounds, lb av, lb avoirdupois, avoirdupois lb, avoirdupois pound, avoirdupois pounds",
        "oz": "oz av, oz avdp, oz avoirdupois, av oz, avoirdupois oz, avoirdupois ounce, avoirdupois ounces",
        "grain": "grain, grains",
        "dwt": "dwt, dwts, pennyweight, pennyweights",
        "ozt": "ozt, oz t, oz troy, troy oz, troy ounce, troy ounces",
    }
)
_ASK_MASS = {
    **dict.fromkeys(("ton", "tons"), _ASK_TON),
    **dict.fromkeys(("oz", "ozs", "ounce", "ounces"), _ASK_OUNCE),
}
_MASS = _Kind(
    name=to_phrase("a mass"),
    example=to_phrase("22 lb or 10.2 kg"),
    factors=MASS_G,
    aliases=_MASS_SPELLINGS,
    chains=(("lb", "oz"), ("ozt", "dwt", "grain"), ("t", "kg"), ("kg", "g"), ("g", "mg")),
    limit=100 * MASS_G["t"],
    limit_text=to_phrase(
        "That is 100 tonnes or more: too much for one entry. Check the number and its unit."
    ),
    questions={**_ASK_MASS, "gr": _ASK_GR, "grs": _ASK_GR},
)
_GOLD = _Kind(
    name=to_phrase("a mass of gold"),
    example=to_phrase("5.4 mg or 0.08 g"),
    factors={unit: factor * 1000 for unit, factor in MASS_G.items()},
    aliases={**_MASS_SPELLINGS, "gr": "grain", "grs": "grain"},
    chains=_MASS.chains,
    limit=1000 * _MASS.limit,
    limit_text=_MASS.limit_text,
    questions=_ASK_MASS,
)
_VOLUME = _Kind(
    name=to_phrase("a volume"),
    example=to_phrase("9 L, 2 gal (US) or 500 mL"),
    factors=VOLUME_ML,
    aliases=_spellings(
        {
            "drop": "drop, drops",
            "mL": "ml, mls, milliliter, milliliters, millilitre, millilitres, cc",
            "cL": "cl",
            "dL": "dl",
            "L": "l, liter, liters, litre, litres",
            "tsp": "tsp, tsps, teaspoon, teaspoons, us tsp, us teaspoon, us teaspoons",
            "tbsp": "tbsp, tbsps, tbs, tablespoon, tablespoons, us tbsp, us tablespoon, us tablespoons",
            "fl_oz": "fl oz, floz, fluid ounce, fluid ounces, us fl oz",
            "cup": "cup, cups, us cup, us cups",
            "pint": "pt, pint, pints, us pint, us pints",
            "quart": "qt, qts, quart, quarts, us quart, us quarts",
            "gal": "gal, gals, gallon, gallons, us gal, us gallon, us gallons, gal (us), gallon (us), gallons (us)",
            "imp_gal": "imp gal, imp gallon, imp gallons, imperial gal, imperial gallon, imperial gallons",
        }
    ),
    chains=(("gal", "quart"), ("L", "mL")),
    limit=Fraction(10**9),
    limit_text=to_phrase("That is a million litres or more. Check the number and its unit."),
    questions=dict.fromkeys(
        ("oz", "ounce", "ounces"),
        to_phrase("Fluid ounces or ounces by weight? Write “fl oz” for a volume (29.6 mL), or use mL."),
    ),
)
_LENGTH = _Kind(
    name=to_phrase("a length"),
    example=to_phrase("0.85 mm, 1/2 inch or 3 ft"),
    factors=LENGTH_UM,
    aliases=_spellings(
        {
            "um": "um, μm, micron, microns, micrometre, micrometres, micrometer, micrometers",
            "mm": "mm, millimetre, millimetres, millimeter, millimeters",
            "cm": "cm, centimetre, centimetres, centimeter, centimeters",
            "m": "m, metre, metres, meter, meters",
            "inch": 'in, inch, inches, "',
            "ft": "ft, foot, feet, '",
        }
    ),
    chains=(("ft", "inch"), ("m", "cm")),
    limit=100 * LENGTH_UM["m"],
    limit_text=to_phrase("That is 100 m or more. Check the number and its unit."),
    questions=dict.fromkeys(
        ("mesh", "#"),
        to_phrase(
            "A mesh is a sieve number, not a length: its opening differs by series. Give the opening in mm or µm."
        ),
    ),
)
_GRADE = _Kind(
    name=to_phrase("a grade"),
    example=to_phrase("8.0 g/t or 0.23 troy oz per short ton"),
    factors=GRADE_G_PER_T,
    aliases=_spellings(
        {
            "g_per_t": "gpt",
            "ppm": "ppm",
            "ppb": "ppb",
            "percent": "%, percent, per cent, pct",
            "ozt_per_short_ton": "ozt/st",
        }
    ),
    chains=(),
    limit=Fraction(10**6) + 1,
    limit_text=to_phrase(
        "A grade cannot exceed 1000000 g/t: that would be nothing but gold. Check the number and its unit."
    ),
    questions=dict.fromkeys(
        ("opt", "oz/ton", "oz/t", "oz/st", "oz per ton"),
        to_phrase("Which ounce and which ton? Write “troy oz per short ton”, “troy oz per long ton” or g/t."),
    ),
)
_KINDS = (_MASS, _VOLUME, _LENGTH, _GRADE)
_HARDNESS = _Kind(
    name=to_phrase("a hardness of water"),
    example=to_phrase("120 mg/L, 7 gpg or 6.7 °dH"),
    factors=HARDNESS_MG_PER_L,
    aliases=_spellings(
        {
            "mg/L": "mg/l, ppm",
            "gpg": "gpg, grains, grain, gr/gal, grain/gal, grains/gal, grains per gal, grains per gallon, grains per us gallon",
            "°dH": "°dh, ºdh, ° dh, º dh, dh, german degrees",
        }
    ),
    chains=(),
    # Sea water stands at about 6600 mg/L (from memory).
    limit=Fraction(10**4),
    limit_text=to_phrase("That is harder than the sea. Check the number and its unit."),
    questions={},
)

_NO_DOSE = to_phrase("“{typed}” is not a dose as written. Write it like {example}.")


@dataclass(frozen=True)
class _Poured:
    """How one of the two amounts of a dose is spoken of in a refusal."""

    name: str
    missing: str
    no_unit: str


_ADDITIVE = _Poured(
    name=to_phrase("an amount of additive"),
    missing=to_phrase("The amount of additive is missing. Write it like {example}."),
    no_unit=to_phrase("{number} of what? Name the unit of the additive, like {example}."),
)
_WATER = _Poured(
    name=to_phrase("an amount of water"),
    missing=to_phrase("The amount of water is missing. Write it like {example}."),
    no_unit=to_phrase("{number} of what? Name the unit of the water, like {example}."),
)

# Unicode says how many of these mean a number; a superscript must not turn 5² into 52.
_NOT_TO_FOLD = ("<super>", "<sub>")
_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe63\uff0d"), "-")
_QUOTES = {ord("\u2032"): "'", ord("\u2019"): "'", ord("\u2033"): '"', ord("\u201d"): '"', ord("\u066b"): "."}
_DIGITS = r"\d[\d.,]*|[.,]\d[\d.,]*"
_AMOUNT = re.compile(rf"(?:(?P<whole>\d+)\s+)?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)|(?P<plain>{_DIGITS})")
_PART = re.compile(rf"\s*(?P<number>(?:\d+\s+)?\d+\s*/\s*\d+|{_DIGITS})\s*(?P<unit>[^\d]*)")
# 1 234,5 as who reads it so also types it; 1 250/3 stays a whole and a fraction.
_IN_THREES = re.compile(r"(?<![\d.,/])\d{1,3}(?:\s+\d{3})+(?![\d./])")
_THREE_AFTER_COMMA = re.compile(r"(?<![\d.,])\d*,\d{3}(?![\d.,])")
_TEMPERATURE = re.compile(
    rf"(?P<number>{_DIGITS})\s*(?:[°º]|deg(?:rees?)?)?\s*(?:(?P<scale>[cf])(?:elsius|ahrenheit)?)?"
)
_DOSE_JOINT = re.compile(r"\s+(?:in|into|per|to)\s+|(?<=[a-z)])\s*/\s*")


def parse_number(text: str, *, allow_zero: bool = True, allow_negative: bool = False) -> Decimal:
    """Return the plain number in `text`, which may use a decimal comma, a fraction or any script's digits.

    Raises ValueError with a sentence for blank, wordy, ambiguous (1,200) or out-of-range text.
    """
    tidy = _tidy(text)
    negative = allow_negative and tidy.startswith("-")
    tidy = tidy.removeprefix("-").strip() if negative else tidy
    _refuse_odd_text(tidy, phrase("a number"), phrase("22 or 0.5"))
    match = _AMOUNT.fullmatch(tidy)
    if match is None:
        raise ValueError(
            phrase("“{typed}” is not a plain number. Write it like 22 or 0.5.", typed=_on_one_line(text))
        )
    number = _to_decimal(_fraction(match))
    if number == 0 and not allow_zero:
        raise ValueError(phrase("Give a number above zero."))
    return -number if negative else number


def parse_mass(text: str, default_unit: str, *, allow_zero: bool = False) -> Quantity:
    """Return a mass of ore or material with `canonical` in g; `default_unit` holds where none is typed.

    A bare “oz” is avoirdupois after pounds (22 lb 4 oz) and refused alone. Raises ValueError with a sentence for the user.
    """
    return _parse(text, _MASS, default_unit, allow_zero)


def parse_gold_mass(text: str, default_unit: str = "mg", *, allow_zero: bool = False) -> Quantity:
    """Return a mass of gold with `canonical` in mg; “gr” is grain here, a bare “oz” is refused."""
    return _parse(text, _GOLD, default_unit, allow_zero)


def parse_volume(text: str, default_unit: str, *, allow_zero: bool = False) -> Quantity:
    """Return a volume with `canonical` in mL; gallon, quart, cup and spoons are US measures."""
    return _parse(text, _VOLUME, default_unit, allow_zero)


def parse_length(text: str, default_unit: str, *, allow_zero: bool = False) -> Quantity:
    """Return a length or size with `canonical` in µm."""
    return _parse(text, _LENGTH, default_unit, allow_zero)


def parse_grade(text: str, default_unit: str, *, allow_zero: bool = False) -> Quantity:
    """Return a grade by mass with `canonical` in g/t; ounce and ton must both be named in full."""
    return _parse(text, _GRADE, default_unit, allow_zero)


def parse_hardness(text: str, default_unit: str = "mg/L") -> Quantity:
    """Return a hardness of water with `canonical` in mg/L as calcium carbonate; ppm is mg/L, a gallon is a US gallon."""
    return _parse(text, _HARDNESS, default_unit, allow_zero=True)


def parse_temperature(text: str, default_unit: str) -> Quantity:
    """Return a temperature of liquid water with `canonical` in °C; `default_unit` is "°C" or "°F".

    Raises ValueError with a sentence for what is no temperature, or one at which water is ice or steam.
    """
    tidy = _tidy(text)
    example = phrase("15 °C or 59 °F")
    _refuse_odd_text(tidy, phrase("a temperature of water"), example)
    match = _TEMPERATURE.fullmatch(tidy)
    if match is None:
        raise ValueError(
            phrase(
                "“{typed}” is not a temperature. Write it like {example}.",
                typed=_on_one_line(text),
                example=example,
            )
        )
    unit = f"°{match['scale'].upper()}" if match["scale"] else default_unit
    value = _plain_number(match["number"])
    celsius = (value - 32) * 5 / 9 if unit == "°F" else value
    if not 0 <= celsius <= 100:
        other = "°C" if unit == "°F" else "°F"
        raise ValueError(
            phrase(
                "Water is ice or steam at {temperature} {unit}. Was {other} meant?",
                temperature=_rounded(_to_decimal(value), 1),
                unit=unit,
                other=other,
            )
        )
    return Quantity(value=_to_decimal(value), unit=unit, canonical=_to_decimal(celsius), typed=_kept(text))


def parse_dose(text: str, *, allow_zero: bool = False) -> Dose:
    """Return a dose by volume from “12 drops in 9 L”, “1/4 tsp per gal”, “0.4 mL/L”, “13 ppm” or a bare number of mL/L.

    Raises ValueError with a sentence when amount or water cannot be read or more additive than water is meant.
    """
    tidy = _tidy(text)
    example = phrase("“12 drops in 9 L”, “1/4 tsp per gal” or “0.4 mL/L”")
    _refuse_odd_text(tidy, phrase("a dose"), example)
    pieces = _DOSE_JOINT.split(tidy)
    if len(pieces) > 2:
        raise ValueError(phrase(_NO_DOSE, typed=_on_one_line(text), example=example))
    if len(pieces) == 1:
        amount_ml, water_ml, units_used = _amount_per_litre(tidy, example)
    else:
        amount_ml, water_ml, units_used = _amount_in_water(pieces, example)
    if amount_ml == 0 and not allow_zero:
        raise ValueError(phrase("Give a dose above zero; plain water is the control."))
    if amount_ml > water_ml:
        raise ValueError(phrase("That is more additive than water. Check both amounts and their units."))
    return Dose(
        typed=_kept(text),
        ml_per_l=_to_decimal(1000 * amount_ml / water_ml),
        amount_ml=_to_decimal(amount_ml),
        water_ml=_to_decimal(water_ml),
        taken_as=_taken_as(units_used),
    )


def sieve_opening_um(series: str, number: int) -> Decimal:
    """Return the nominal opening in µm of a sieve number of `series` ("astm_e11" or "tyler").

    The same number opens differently in the two series. Raises ValueError for a number the series doesn't have.
    """
    if series not in _SIEVES:
        raise ValueError(f"{series!r} is not a sieve series: astm_e11 or tyler.")
    name, openings = _SIEVES[series]
    if number not in openings:
        known = ", ".join(str(each) for each in openings)
        raise ValueError(
            phrase(
                "There is no {series} number {number}. Known: {known}.",
                series=phrase(name),
                number=number,
                known=known,
            )
        )
    return openings[number]


def tub_amounts(ml_per_l: Decimal | float, water_ml: Decimal | float) -> TubAmounts:
    """Return what to pour into `water_ml` of water for a dose of `ml_per_l`. Negative input raises ValueError."""
    dose, water = _as_fraction(ml_per_l), _as_fraction(water_ml)
    if dose < 0 or water < 0:
        raise ValueError(f"A dose ({ml_per_l}) and a volume of water ({water_ml}) cannot be negative.")
    amount = dose * water / 1000
    return TubAmounts(
        ml=_to_decimal(amount),
        drops=_to_decimal(amount / VOLUME_ML["drop"]),
        teaspoons=_to_decimal(amount / VOLUME_ML["tsp"]),
    )


def convert_mass(value: Decimal | float, unit: str, to: str) -> Decimal:
    """Return `value` of mass unit `unit` in mass unit `to` (keys of MASS_G)."""
    return _to_decimal(_as_fraction(value) * MASS_G[unit] / MASS_G[to])


def convert_volume(value: Decimal | float, unit: str, to: str) -> Decimal:
    """Return `value` of volume unit `unit` in volume unit `to` (keys of VOLUME_ML)."""
    return _to_decimal(_as_fraction(value) * VOLUME_ML[unit] / VOLUME_ML[to])


def convert_length(value: Decimal | float, unit: str, to: str) -> Decimal:
    """Return `value` of length unit `unit` in length unit `to` (keys of LENGTH_UM)."""
    return _to_decimal(_as_fraction(value) * LENGTH_UM[unit] / LENGTH_UM[to])


def convert_grade(value: Decimal | float, unit: str, to: str) -> Decimal:
    """Return `value` of grade unit `unit` in grade unit `to` (keys of GRADE_G_PER_T)."""
    return _to_decimal(_as_fraction(value) * GRADE_G_PER_T[unit] / GRADE_G_PER_T[to])


def convert_dose(value: Decimal | float, unit: str, to: str) -> Decimal:
    """Return `value` of dose unit `unit` in dose unit `to` (keys of DOSE_ML_PER_L; ppm and percent by volume)."""
    return _to_decimal(_as_fraction(value) * DOSE_ML_PER_L[unit] / DOSE_ML_PER_L[to])


def share_of_percent(percent: Decimal | float) -> float:
    """Return percent as a fraction.

    >>> share_of_percent(Decimal("12.5"))
    0.125
    """
    return float(percent) / 100


def reads_alike(read: Decimal, meant: Decimal) -> bool:
    """Return whether a rounded text, read again, gives what was meant, within ALIKE_WITHIN of it; both in one unit.

    Nothing meant raises ValueError.

    >>> reads_alike(Decimal("9979"), Decimal("9979.03")), reads_alike(Decimal("9970"), Decimal("9979.03"))
    (True, False)
    """
    if not meant:
        raise ValueError("Nothing has no rounding to compare.")
    return abs(read / meant - 1) < ALIKE_WITHIN


def format_mass(mass_g: Decimal | float | None, unit: str) -> str:
    """Return a mass of material in "lb", "kg" or "g"; small masses are in g whatever the unit. Nothing for None."""
    number = _shown(mass_g)
    if number is None:
        return ""
    smallest_g = {"lb": Decimal("45"), "kg": Decimal("100")}
    if unit == "g" or 0 < abs(number) < smallest_g.get(unit, 0):
        return f"{_significant(number, 3)} g"
    shown = _to_decimal(_as_fraction(number) / MASS_G[unit])
    places = 3 if abs(shown) < 1 else 2 if abs(shown) < 100 else 1 if abs(shown) < 1000 else 0
    return f"{_rounded(shown, places)} {UNIT_NAMES.get(unit, unit)}"


def format_gold_mg(mg: Decimal | float | None) -> str:
    """Return a mass of gold in mg. Nothing for None."""
    number = _shown(mg)
    return "" if number is None else f"{_significant(number, 3)} mg"


def format_grade(g_per_t: Decimal | float | None, unit: str) -> str:
    """Return a grade in "g_per_t" or "ozt_per_short_ton", to three significant digits. Nothing for None."""
    number = _shown(g_per_t)
    if number is None:
        return ""
    text = _significant(_to_decimal(_as_fraction(number) / GRADE_G_PER_T[unit]), 3)
    # A whole number would look like a count: 8 g/t was weighed, so 8.0.
    if text.lstrip("-").isdigit() and len(text.lstrip("-")) < 3 and number != 0:
        text += in_mark(".0")
    return f"{text} {UNIT_NAMES.get(unit, unit)}"


def format_dose(ml_per_l: Decimal | float | None, unit: str) -> str:
    """Return a dose in "ml_per_l" or "tsp_per_us_gal". Nothing for None."""
    number = _shown(ml_per_l)
    if number is None:
        return ""
    shown = _to_decimal(_as_fraction(number) / DOSE_ML_PER_L[unit])
    return f"{_significant(shown, 3)} {UNIT_NAMES.get(unit, unit)}"


def format_temperature(celsius: Decimal | float | None) -> str:
    """Return a temperature in °C and °F. Nothing for None."""
    number = _shown(celsius)
    return "" if number is None else f"{_rounded(number, 1)} °C ({_rounded(number * 9 / 5 + 32, 1)} °F)"


def format_hardness(mg_per_l: Decimal | float | None) -> str:
    """Return a hardness of water in mg/L and grains per US gallon. Nothing for None."""
    number = _shown(mg_per_l)
    if number is None:
        return ""
    grains = _to_decimal(_as_fraction(number) / HARDNESS_MG_PER_L["gpg"])
    return phrase(
        "{hardness} mg/L ({grains} grains per US gal) as calcium carbonate",
        hardness=_significant(number, 3),
        grains=_significant(grains, 2),
    )


def format_number(value: Decimal | float | None, places: int) -> str:
    """Return a bare number with so many decimals at most. Nothing for None."""
    number = _shown(value)
    return "" if number is None else _rounded(number, places)


def format_share(fraction: Decimal | float | None) -> str:
    """Return a fraction as percent; what is not quite all or not quite nothing never reads as 100 % or 0 %."""
    number = _shown(fraction)
    if number is None:
        return ""
    percent = number * 100
    if Decimal("99.95") <= percent < 100:
        return phrase("over {share} %", share=in_mark("99.9"))
    if 0 < percent < Decimal("0.01"):
        return phrase("under {share} %", share=in_mark("0.01"))
    if abs(percent) < 1:
        return f"{_significant(percent, 2)} %"
    return f"{_rounded(percent, 1)} %"


def format_odds(chance: float) -> str:
    """Return a chance, 0 to 1, as one says it: in so many for the small ones, in ten for the others. Else ValueError.

    >>> format_odds(0.0486), format_odds(0.7)
    ('about 1 in 21', 'about 7 in 10')
    """
    if not 0 <= chance <= 1:
        raise ValueError(f"A chance lies between 0 and 1, not {chance}.")
    if chance < 0.001:
        return phrase("fewer than 1 in 1000")
    if chance <= 0.4:
        many = round(1 / chance, 1 - int(math.log10(1 / chance)))
        return phrase("about 1 in {many}", many=numeral(many, ".0f"))
    if chance > 0.99:
        return phrase("nearly all")
    if round(10 * chance) < 10:
        return phrase("about {tenths} in 10", tenths=numeral(10 * chance, ".0f"))
    return phrase("more than 9 in 10")


def _tidy(text: str) -> str:
    """Plain lower-case text: every script's digits as 0-9, vulgar fractions written out, one kind of dash and blank."""
    if len(text) > LONGEST_TEXT:
        raise ValueError(
            phrase("That is too long: an amount is at most {most} signs, like 22 lb 4 oz.", most=LONGEST_TEXT)
        )
    signs = []
    for sign in text.replace(APART, ""):
        decomposition = unicodedata.decomposition(sign)
        digit = unicodedata.decimal(sign, None)
        if digit is not None:
            signs.append(str(digit))
        elif decomposition.startswith("<fraction>"):
            signs.append(f" {unicodedata.normalize('NFKC', sign)} ")
        elif unicodedata.category(sign) == "Cf":
            continue
        elif decomposition.startswith(_NOT_TO_FOLD) or sign in "″′":
            signs.append(sign)
        else:
            signs.append(unicodedata.normalize("NFKC", sign))
    tidy = "".join(signs).translate(_DASHES).translate(_QUOTES).replace("\u2044", "/").casefold()
    tidy = " ".join(tidy.split())
    if decimal_mark() == COMMA:
        tidy = _threes_joined(tidy)
    return tidy


def _threes_joined(text: str) -> str:
    return _IN_THREES.sub(lambda threes: "".join(threes[0].split()), text)


def _refuse_odd_text(tidy: str, what: str, example: str) -> None:
    """Refuse what no reading of amounts could take, each with its own sentence."""
    if not tidy:
        raise ValueError(phrase("Give {kind}, like {example}.", kind=what, example=example))
    if tidy.startswith("-"):
        raise ValueError(phrase("{kind} cannot be negative.", kind=what[0].upper() + what[1:]))
    if not any(sign.isdigit() for sign in tidy) or tidy.startswith(("nan", "inf")):
        raise ValueError(
            phrase(
                "“{typed}” holds no number. Write {kind} like {example}.",
                typed=tidy,
                kind=what,
                example=example,
            )
        )
    if re.search(r"\d\s*e\s*[+-]?\s*\d", tidy):
        raise ValueError(
            phrase(
                "“{typed}” is in powers of ten. Write the digits out, like {example}.",
                typed=tidy,
                example=example,
            )
        )
    if re.search(r"\d\s*-\s*\d", tidy):
        raise ValueError(
            phrase(
                "“{typed}” looks like a range. Give one number, like {example}.", typed=tidy, example=example
            )
        )


def _on_one_line(text: str) -> str:
    return " ".join(text.split())


def _fraction(match: re.Match) -> Fraction:
    if match["plain"] is not None:
        return _plain_number(match["plain"])
    bottom = int(match["bottom"])
    if bottom == 0:
        raise ValueError(phrase("A fraction cannot have zero below the line."))
    if match["whole"] is not None and int(match["top"]) >= bottom:
        raise ValueError(
            phrase(
                "“{typed}” can be read two ways. Write it with a decimal point.", typed=_on_one_line(match[0])
            )
        )
    return int(match["whole"] or 0) + Fraction(int(match["top"]), bottom)


def _plain_number(text: str) -> Fraction:
    """Digits with point or comma. One comma before exactly three digits could be either, so it is asked about, unless the

    reader's own mark is the comma.
    """
    text = text.rstrip(",") if text.count(",") == 1 and text.endswith(",") else text
    if re.fullmatch(r"\d+\.?|\d*\.\d+", text):
        return Fraction(text.rstrip("."))
    if re.fullmatch(r"\d*,\d{3}", text) and decimal_mark() != COMMA:
        whole, thousandths = text.split(",")
        as_decimal = f"{whole or 0}.{thousandths.rstrip('0') or 0}"
        if whole.strip("0"):
            raise ValueError(
                phrase(
                    "“{typed}” can be read two ways: {whole} or {decimal}? Write it without the comma.",
                    typed=text,
                    whole=whole + thousandths,
                    decimal=as_decimal,
                )
            )
        raise ValueError(
            phrase(
                "“{typed}” has a comma before three digits. If it is {decimal}, write it with a point.",
                typed=text,
                decimal=as_decimal,
            )
        )
    if re.fullmatch(r"\d*,\d+", text):
        return Fraction(text.replace(",", "."))
    if re.fullmatch(r"\d{1,3}(,\d{3})+\.\d*|\d{1,3}(,\d{3}){2,}", text):
        return Fraction(text.replace(",", "").rstrip("."))
    if re.fullmatch(r"\d{1,3}(\.\d{3})+,\d+|\d{1,3}(\.\d{3}){2,}", text):
        return Fraction(text.replace(".", "").replace(",", "."))
    raise ValueError(
        phrase("“{typed}” is not a number as written. Use one decimal point, like 1234.5.", typed=text)
    )


def _kept(text: str) -> str:
    """What was typed, as it is kept: what is sure by the reader's mark alone is made sure for everyone.

    That is a comma before three digits, and digits in threes with spaces between.
    """
    return _THREE_AFTER_COMMA.sub(r"\g<0>0", _threes_joined(text)) if decimal_mark() == COMMA else text


def _parse(text: str, kind: _Kind, default_unit: str, allow_zero: bool) -> Quantity:
    tidy = _tidy(text)
    _refuse_odd_text(tidy, phrase(kind.name), phrase(kind.example))
    parts = _parts(tidy, kind, default_unit)
    unit = parts[0][1]
    canonical = sum((number * kind.factors[each] for number, each in parts), Fraction(0))
    if canonical == 0 and not allow_zero:
        raise ValueError(phrase("Give {kind} above zero.", kind=phrase(kind.name)))
    if canonical >= kind.limit:
        raise ValueError(phrase(kind.limit_text))
    return Quantity(
        value=_to_decimal(canonical / kind.factors[unit]),
        unit=unit,
        canonical=_to_decimal(canonical),
        typed=_kept(text),
    )


def _parts(tidy: str, kind: _Kind, default_unit: str) -> list[tuple[Fraction, str]]:
    """The (number, unit) pairs of one amount; more than one only along a chain like lb, oz."""
    parts: list[tuple[Fraction, str]] = []
    position = 0
    while position < len(tidy):
        match = _PART.match(tidy, position)
        if match is None:
            raise ValueError(
                phrase(
                    "“{typed}” cannot be read as {kind}. Write it like {example}.", typed=tidy, **kind.said()
                )
            )
        number = _fraction(_AMOUNT.fullmatch(match["number"]))
        after_pounds = kind in (_MASS, _GOLD) and bool(parts) and parts[-1][1] == "lb"
        unit = _find_unit(_unit_text(match["unit"]), kind, default_unit, after_pounds=after_pounds, tidy=tidy)
        parts.append((number, unit))
        position = match.end()
    if len(parts) > 1:
        _check_chain(parts, kind, tidy)
    return parts


def _unit_text(text: str) -> str:
    return re.sub(r"(,|\band|\+)$", "", text.strip()).strip().rstrip(".").strip()


def _check_chain(parts: list[tuple[Fraction, str]], kind: _Kind, tidy: str) -> None:
    units = tuple(unit for _, unit in parts)
    follows = any(units == chain[i : i + len(units)] for chain in kind.chains for i in range(len(chain)))
    if not follows:
        raise ValueError(
            phrase(
                "“{typed}” holds more than one amount. Give one, like {example}.",
                typed=tidy,
                example=phrase(kind.example),
            )
        )
    for (_, larger), (number, smaller) in zip(parts, parts[1:], strict=False):
        if number * kind.factors[smaller] >= kind.factors[larger]:
            raise ValueError(
                phrase(
                    "The {smaller} in “{typed}” come to one {larger} or more. Check the numbers.",
                    smaller=smaller,
                    typed=tidy,
                    larger=larger,
                )
            )


def _find_unit(text: str, kind: _Kind, default_unit: str, *, after_pounds: bool, tidy: str) -> str:
    if not text:
        return default_unit if default_unit in kind.factors else kind.aliases[default_unit.casefold()]
    if after_pounds and text in ("oz", "ozs", "ounce", "ounces"):
        return "oz"
    if text in kind.aliases:
        return kind.aliases[text]
    if text in kind.questions:
        raise ValueError(phrase(kind.questions[text]))
    if kind is _GRADE:
        return _grade_unit(text, tidy)
    for other in _KINDS:
        if other is not kind and (text in other.aliases or (other is _GRADE and "/" in text)):
            raise _another_kind(tidy, other, kind)
    raise ValueError(
        phrase("“{unit}” is not a unit known here. Write {kind} like {example}.", unit=text, **kind.said())
    )


def _another_kind(tidy: str, other: _Kind, kind: _Kind) -> ValueError:
    return ValueError(
        phrase(
            "“{typed}” is {other}. Give {kind}, like {example}.",
            typed=tidy,
            other=phrase(other.name),
            **kind.said(),
        )
    )


def _grade_unit(text: str, tidy: str) -> str:
    """A mass of gold per mass of ore, each unit named beyond doubt."""
    pieces = [piece.strip() for piece in re.split(r"\s*/\s*|\s+per\s+", text)]
    if len(pieces) == 1:
        for other in _KINDS:
            if text in other.aliases:
                raise _another_kind(tidy, other, _GRADE)
    if len(pieces) == 2:
        for piece in pieces:
            if piece in _MASS.questions:
                raise ValueError(phrase(_MASS.questions[piece]))
        pair = tuple(_MASS_SPELLINGS.get(piece, piece) for piece in pieces)
        known = {
            ("g", "t"): "g_per_t",
            ("mg", "kg"): "ppm",
            ("ug", "g"): "ppm",
            ("ug", "kg"): "ppb",
            ("mg", "t"): "ppb",
            ("ozt", "short_ton"): "ozt_per_short_ton",
            ("ozt", "long_ton"): "ozt_per_long_ton",
        }
        if pair in known:
            return known[pair]
    raise ValueError(
        phrase(
            "“{unit}” is not a unit of grade known here. Write it like {example}.",
            unit=text,
            example=phrase(_GRADE.example),
        )
    )


def _amount_per_litre(tidy: str, example: str) -> tuple[Fraction, Fraction, tuple[str, ...]]:
    match = _PART.fullmatch(tidy)
    if match is None:
        raise ValueError(phrase(_NO_DOSE, typed=tidy, example=example))
    number = _fraction(_AMOUNT.fullmatch(match["number"]))
    unit_text = _unit_text(match["unit"])
    units = {"": "ml_per_l", "ppm": "ppm", "%": "percent", "percent": "percent", "per cent": "percent"}
    if unit_text in _VOLUME.aliases:
        raise ValueError(
            phrase("“{typed}” in how much water? Write it like {example}.", typed=tidy, example=example)
        )
    if unit_text not in units:
        raise ValueError(
            phrase(
                "“{unit}” is not a dose by volume. Write it like {example}.", unit=unit_text, example=example
            )
        )
    unit = units[unit_text]
    return number * DOSE_ML_PER_L[unit], Fraction(1000), (unit,)


def _amount_in_water(pieces: list[str], example: str) -> tuple[Fraction, Fraction, tuple[str, ...]]:
    amount, water = pieces
    if water in _VOLUME.aliases:
        water = f"1 {water}"
    volumes, units = [], []
    for text, refused in ((amount, _ADDITIVE), (water, _WATER)):
        if not text:
            raise ValueError(phrase(refused.missing, example=example))
        if _AMOUNT.fullmatch(text):
            raise ValueError(phrase(refused.no_unit, number=text, example=example))
        _refuse_odd_text(text, phrase(refused.name), example)
        parts = _parts(text, _VOLUME, "mL")
        volumes.append(sum((number * VOLUME_ML[unit] for number, unit in parts), Fraction(0)))
        units.extend(unit for _, unit in parts)
    if volumes[1] == 0:
        raise ValueError(phrase("Give the water the additive goes into."))
    if volumes[1] >= _VOLUME.limit:
        raise ValueError(phrase(_VOLUME.limit_text))
    return volumes[0], volumes[1], tuple(units)


def _taken_as(units_used: tuple[str, ...]) -> str:
    notes = []
    if "gal" in units_used:
        notes.append(phrase("US gallon"))
    if "imp_gal" in units_used:
        notes.append(phrase("imperial gallon"))
    if "drop" in units_used:
        notes.append(phrase("a drop taken as 0.05 mL"))
    if "ppm" in units_used or "percent" in units_used:
        notes.append(phrase("by volume"))
    return ", ".join(notes)


def _as_fraction(value: Decimal | float | Fraction) -> Fraction:
    # A float's shortest spelling is what was meant: 0.1 stands for 1/10, not for its binary neighbour.
    return Fraction(str(value)) if isinstance(value, float) else Fraction(value)


def _to_decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)


def _shown(value: Decimal | float | str | None) -> Decimal | None:
    """The number to show; None where there is none, so that a page says nothing rather than failing."""
    if value is None or value == "":
        return None
    number = Decimal(str(value))
    return number if number.is_finite() else None


def _rounded(number: Decimal, places: int) -> str:
    """`number` with at most `places` decimals, without trailing zeros and never in powers of ten."""
    text = f"{number.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN):f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else in_mark(text)


def _significant(number: Decimal, digits: int) -> str:
    """`number` to `digits` significant digits; digits before the point are always kept."""
    if number == 0:
        return "0"
    return _rounded(number, max(0, digits - 1 - number.adjusted()))
