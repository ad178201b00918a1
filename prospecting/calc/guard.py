"""The order-of-magnitude guard: says in words what an entry means, and asks when it is about ten times out of line.

It never refuses. Chance alone makes equal portions differ several-fold, so it speaks up only from `OUT_OF_LINE` on.
"""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import grade
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.units import convert_grade, convert_mass, format_gold_mg, format_grade, format_mass

# A slip of ten seen through the scatter of small portions (common practice, no source).
OUT_OF_LINE = Decimal(6)
# Nearly two troy ounces per short ton: possible, but rarer than a slip of the unit (common practice, no source).
RICH_G_PER_T = Decimal(60)
# Less than a tenth of a milligram is below any scale used outside a laboratory (common practice, no source).
LEAST_WEIGHED_MG = Decimal("0.1")
# More than a gram from one tub or pan whose ore nobody weighed: rarer than a slip of the unit (common practice, no source).
MUCH_GOLD_MG = Decimal(1000)
HEAVIEST_BUCKET_LB = Decimal(120)
LIGHTEST_BUCKET_LB = Decimal(1)


@dataclass(frozen=True)
class Guard:
    """What an entry means, in words; `ask` is a question when it looks ten times off, else None."""

    sentence: str
    ask: str | None


def gold_guard(
    gold_mg: Decimal,
    ore_g: Decimal,
    scale_step_mg: Decimal | None = None,
    others_mg: Sequence[Decimal] | None = None,
    grade_unit: str = "g_per_t",
    *,
    mass_unit: str = "lb",
    others: str = "",
) -> Guard:
    """Return what `gold_mg` from `ore_g` means as a grade.

    `others_mg` is the gold of other equal portions of the same lot, or of what `others` says. Ore of no mass raises ValueError.

    >>> gold_guard(Decimal(80), Decimal("9979.03214")).sentence
    '0.08 g from 22 lb is 8.0 g/t, 0.234 troy oz per short ton.'
    """
    gold = Decimal(str(gold_mg))
    ore = Decimal(str(ore_g))
    g_per_t = grade.grade_g_per_t(gold, ore)
    gold_text = _gold_text(gold)
    sentence = phrase(
        "{gold} from {ore} is {grade}.",
        gold=gold_text,
        ore=format_mass(ore, mass_unit),
        grade=_grade_words(g_per_t, grade_unit),
    )
    ask = (
        _ask_about_unit(gold, ore, gold_text, g_per_t, scale_step_mg)
        or _ask_against_others(
            gold, others_mg, gold_text, _gold_text, others or phrase("this lot's other portions")
        )
        or _ask_about_rich(g_per_t, grade_unit)
    )
    return Guard(sentence, ask)


def gold_alone_guard(
    gold_mg: Decimal, scale_step_mg: Decimal | None = None, others_mg: Sequence[Decimal] | None = None
) -> Guard:
    """Return what `gold_mg` is in other units, where nobody knows the mass of the ore it came from: mud of a tub.

    `others_mg` is gold of the like: the other tubs of the test.

    >>> gold_alone_guard(Decimal("1.2")).sentence
    '1.2 mg is 0.0012 g.'
    """
    gold = Decimal(str(gold_mg))
    text = format_gold_mg(gold)
    ask = _ask_about_scale(gold, text, scale_step_mg) or _ask_against_others(
        gold, others_mg, text, format_gold_mg, phrase("the others")
    )
    if ask is None and gold > MUCH_GOLD_MG:
        ask = phrase("{gold} is more than a gram. Is it gold alone, and is the unit right?", gold=text)
    in_grams = f"{numeral(convert_mass(gold, 'mg', 'g').normalize(), 'f')} g"
    return Guard(phrase("{mass} is {other}.", mass=text, other=in_grams), ask)


def mass_guard(
    mass_g: Decimal,
    expected_g: Decimal | None = None,
    container: str | None = None,
    *,
    mass_unit: str = "lb",
    expected: str = "",
) -> Guard:
    """Return what a mass of material means in lb and kg; `container` "bucket" brings a bucket's usual limits.

    `expected_g` is the mass it should be near, for example what the books hold of the lot; `expected` says what it is.
    """
    mass = Decimal(str(mass_g))
    text = format_mass(mass, mass_unit)
    in_other = format_mass(mass, "kg" if mass_unit == "lb" else "lb")
    # A small mass is shown in g whichever unit is asked for.
    in_other = format_mass(mass, "oz") if in_other == text else in_other
    sentence = phrase("{mass} is {other}.", mass=text, other=in_other)
    ask = None
    if container == "bucket":
        pounds = convert_mass(mass, "g", "lb")
        if pounds > HEAVIEST_BUCKET_LB:
            ask = phrase(
                "{mass} is heavier than a bucket one can carry. Is the number right, and its unit?", mass=text
            )
        elif pounds < LIGHTEST_BUCKET_LB:
            ask = phrase("{mass} is very little for a bucket. Is the number right, and its unit?", mass=text)
    if ask is None and expected_g is not None:
        ask = _ask_against_others(
            mass,
            [expected_g],
            text,
            lambda g: format_mass(g, mass_unit),
            expected or phrase("what was expected"),
        )
    return Guard(sentence, ask)


def grade_guard(
    g_per_t: Decimal, others: Sequence[Decimal] | None = None, grade_unit: str = "g_per_t"
) -> Guard:
    """Return what an assay value means in other units; `others` are grades in g/t of the same lot or zone."""
    value = Decimal(str(g_per_t))
    sentence = phrase(
        "This is {grade}, {in_ppb}.",
        grade=_grade_words(value, grade_unit),
        in_ppb=format_grade(value, "ppb"),
    )
    known = [Decimal(str(other)) for other in others or () if other is not None and other > 0]
    ask = None
    if known and value > 0 and not min(known) <= value <= max(known):
        ask = _ask_about_mixed_units(value, statistics.median(known), grade_unit)
    ask = (
        ask
        or _ask_against_others(
            value,
            known,
            _one_grade(value, grade_unit),
            lambda g: _one_grade(g, grade_unit),
            phrase("the other values"),
        )
        or _ask_about_rich(value, grade_unit)
    )
    return Guard(sentence, ask)


def _ask_about_unit(
    gold: Decimal, ore: Decimal, gold_text: str, g_per_t: Decimal, scale_step_mg: Decimal | None
) -> str | None:
    """Slips that need no other result to be seen: too much gold for the ore, or too little for any scale."""
    if gold > ore * 10:
        return phrase(
            "{gold} is more than one percent of the ore. Is it gold alone, and is the unit right?",
            gold=gold_text,
        )
    return _ask_about_scale(gold, gold_text, scale_step_mg)


def _ask_about_scale(gold: Decimal, gold_text: str, scale_step_mg: Decimal | None) -> str | None:
    if scale_step_mg is not None and 0 < gold < Decimal(str(scale_step_mg)):
        return phrase(
            "{gold} is less than the scale's step of {step}. "
            "Is the unit right? If the scale did not move, record it as below the scale.",
            gold=gold_text,
            step=format_gold_mg(scale_step_mg),
        )
    if 0 < gold < LEAST_WEIGHED_MG:
        number = format_gold_mg(gold).removesuffix(" mg")
        return phrase(
            "{gold} is less than field scales can weigh. Was {number} g meant?", gold=gold_text, number=number
        )
    return None


def _ask_about_rich(g_per_t: Decimal, grade_unit: str) -> str | None:
    if g_per_t <= RICH_G_PER_T:
        return None
    return phrase(
        "{grade} is very rich ore. Is the number right, and its unit?", grade=_one_grade(g_per_t, grade_unit)
    )


def _ask_against_others(
    value: Decimal, others: Sequence[Decimal] | None, text: str, words, what: str
) -> str | None:
    """A question when `value` lies outside the others and at least OUT_OF_LINE times off their middle one."""
    known = [Decimal(str(other)) for other in others or () if other is not None and other > 0]
    if not known or value <= 0:
        return None
    middle = statistics.median(known)
    if value > max(known) and value >= OUT_OF_LINE * middle:
        return phrase(
            "{amount} is {times} times {others} ({middle}). Is the number right, and its unit?",
            amount=text,
            times=_times(value / middle),
            others=what,
            middle=words(middle),
        )
    if value < min(known) and value * OUT_OF_LINE <= middle:
        return phrase(
            "{amount} is {times} times less than {others} ({middle}). Is the number right, and its unit?",
            amount=text,
            times=_times(middle / value),
            others=what,
            middle=words(middle),
        )
    return None


def _ask_about_mixed_units(value: Decimal, middle: Decimal, grade_unit: str) -> str | None:
    """The two classic mix-ups of grade units, each with its own factor."""
    factor = max(value, middle) / min(value, middle)
    shown = {"now": _one_grade(value, grade_unit), "before": _one_grade(middle, grade_unit)}
    if 300 <= factor <= 3000:
        return phrase(
            "{now} against {before} before: about a thousand times. Was ppb taken for ppm (g/t), or the other way round?",
            **shown,
        )
    ounce = convert_grade(1, "ozt_per_short_ton", "g_per_t")
    if ounce / Decimal("1.5") <= factor <= ounce * Decimal("1.5"):
        return phrase(
            "{now} against {before} before: about 34 times. Were g/t and troy oz per short ton mixed up?",
            **shown,
        )
    return None


def _gold_text(gold: Decimal) -> str:
    return format_gold_mg(gold) if gold < 10 else format_mass(gold / 1000, "g")


def _grade_words(g_per_t: Decimal, grade_unit: str) -> str:
    """The grade in both customs, the reader's own first."""
    in_metric, in_ounces = _one_grade(g_per_t, "g_per_t"), format_grade(g_per_t, "ozt_per_short_ton")
    return f"{in_ounces}, {in_metric}" if grade_unit == "ozt_per_short_ton" else f"{in_metric}, {in_ounces}"


def _one_grade(g_per_t: Decimal, grade_unit: str) -> str:
    # One decimal in the usual range: the guard speaks of the order of magnitude, not of the last digit.
    if grade_unit == "g_per_t" and 1 <= g_per_t < 100:
        return f"{numeral(g_per_t, '.1f')} g/t"
    return format_grade(g_per_t, grade_unit)


def _times(factor: Decimal) -> str:
    return f"{factor:.0f}"
