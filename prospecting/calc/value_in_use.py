"""Which value stands for a sample: the first of its readings, the mean of repeats, or a screen fire assay over a charge.

Plain Python, grades in g/t as Decimal. A reading below the detection limit is not a number: no rule here puts zero, the limit
or half of it in its place. A figure is given only where what it hides can't be seen in it; otherwise the rule gives a bound, or
refuses with a sentence and the caller keeps the first.
"""

import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from prospecting.calc.grade import gold_mg, grade_g_per_t
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.mass_balance import total_mass_g
from prospecting.calc.number_words import numeral

VALUE, BELOW, ABOVE = "value", "below", "above"
FIRST, MEAN, SCREEN = "first", "mean", "screen"
PLUS, MINUS = to_phrase("plus"), to_phrase("minus")
REPEAT_WORDS = (to_phrase("repeat"), to_phrase("duplicate"), to_phrase("check"))
GRADE_STEP = Decimal("0.000001")
# What a printed total may differ by from its parts: half a step of its last figure and of each part's, about 1 % where three
# figures are printed (our own limit, no source).
ROUNDING = Decimal("0.01")


class NoValue(ValueError):
    """The rule gives no value from these readings; the text is a sentence for the member.

    `between` are the least and the most (g/t) where only these are known; the text leaves them to the reader's unit.
    """

    def __init__(self, text: str, between: tuple[Decimal, Decimal] | None = None) -> None:
        super().__init__(text)
        self.between = between


@dataclass(frozen=True)
class Figure:
    """One reading: `grade` where the symbol is "value", `limit` where it is "below" or "above"; both in g/t.

    `key` is the record it stands for. `fraction` is "plus", "minus" or nothing for the whole sample, `mass_g` that of the
    fraction.
    """

    symbol: str
    grade: Decimal | None = None
    limit: Decimal | None = None
    method: str = ""
    fraction: str = ""
    mass_g: Decimal | None = None
    key: int | None = None

    @property
    def lowest(self) -> Decimal:
        """The least it can be."""
        return {VALUE: self.grade, BELOW: Decimal(0), ABOVE: self.limit}[self.symbol]

    @property
    def highest(self) -> Decimal | None:
        """The most it can be; None where nothing bounds it."""
        return {VALUE: self.grade, BELOW: self.limit, ABOVE: None}[self.symbol]


@dataclass(frozen=True)
class Value:
    """What a rule gives: a figure like a reading's, and the readings it was reckoned from.

    `between` are the least and the most (g/t) of what is given as a bound though more is known of it.
    """

    symbol: str
    grade: Decimal | None
    limit: Decimal | None
    used: tuple[Figure, ...]
    note: str = ""
    between: tuple[Decimal, Decimal] | None = None


@dataclass(frozen=True)
class ScreenParts:
    """A screen fire assay taken apart: gold of each fraction in mg, from the least to the most it can be."""

    plus: Figure
    minus: tuple[Figure, ...]
    plus_gold_mg: tuple[Decimal, Decimal | None]
    minus_gold_mg: tuple[Decimal, Decimal | None]
    lowest: Decimal
    highest: Decimal | None

    @property
    def used(self) -> tuple[Figure, ...]:
        return (self.plus, *self.minus)


@dataclass(frozen=True)
class Settled:
    """What a sample counts with: the rule it stands by, the value, and why it is not the rule asked for.

    `value` is None where no rule gives one; then `rule` is the one that holds for readings to come. `between` are the least and
    the most (g/t) where the rule asked for, or the value, leaves a range.
    """

    rule: str
    value: Value | None
    why: str = ""
    between: tuple[Decimal, Decimal] | None = None


def method_of(printed: str) -> str:
    """Return the method without the mark of a repeat behind it, so that repeats of one method are known as such.

    >>> method_of("fire assay 30 g, repeat"), method_of("repeat"), method_of("aqua regia")
    ('fire assay 30 g', '', 'aqua regia')
    """
    parts = [part.strip() for part in printed.split(",")]
    while parts and parts[-1] in REPEAT_WORDS:
        parts.pop()
    return ", ".join(parts)


def first_value(figures: Sequence[Figure]) -> Value:
    """Return the first reading of the whole sample; where it only says "above its limit", the re-run that says how far.

    NoValue without any reading of the whole sample.

    >>> first_value([Figure("above", limit=Decimal(10)), Figure("value", Decimal("12.3"))]).grade
    Decimal('12.3')
    """
    first = _whole_without_overlimits(figures)[0]
    return Value(first.symbol, first.grade, first.limit, (first,))


def mean_value(figures: Sequence[Figure]) -> Value:
    """Return the mean of all repeats by the method of the first reading, as a figure or as a bound.

    All below their limits: the mean lies below the largest of these. Some above theirs and none below: the mean lies above
    the mean of the rest with those limits. Some below: a figure only where it comes out the same to two figures, or within
    1 %, whether the readings below their limit hold nothing or all they can; otherwise NoValue with a sentence.

    >>> mean_value([Figure("value", Decimal(4)), Figure("value", Decimal(5))]).grade
    Decimal('4.500000')
    >>> mean_value([Figure("below", limit=Decimal("0.005")), Figure("below", limit=Decimal("0.01"))]).limit
    Decimal('0.01')
    """
    whole = _whole_without_overlimits(figures)
    alike = [each for each in whole if method_of(each.method) == method_of(whole[0].method)]
    if all(each.symbol == BELOW for each in alike):
        return Value(BELOW, None, max(each.limit for each in alike), tuple(alike))
    return _bounded(
        _mean([each.lowest for each in alike]),
        None if any(each.highest is None for each in alike) else _mean([each.highest for each in alike]),
        alike,
        open_above=to_phrase(
            "Some repeats lie below the detection limit and others above the upper limit, so the mean is not known."
        ),
        no_figure=to_phrase("Some repeats lie below the detection limit, so the mean is no single figure."),
    )


def screen_parts(figures: Sequence[Figure]) -> ScreenParts:
    """Return the parts of a screen fire assay, each fraction's gold between the least and the most it can be.

    The plus fraction is assayed whole, so it has one reading; the minus fraction's repeats count alike. NoValue, with what is
    missing, where there are no such parts.
    """
    plus = [each for each in figures if each.fraction == PLUS]
    minus = [each for each in figures if each.fraction == MINUS]
    if not plus or not minus:
        raise NoValue(
            phrase(
                "A screen fire assay needs both fractions; no reading of the {fraction} fraction came.",
                fraction=phrase(MINUS if plus else PLUS),
            )
        )
    if len(plus) > 1:
        raise NoValue(
            phrase(
                "The plus fraction is assayed whole, once, but {number} readings of it came. Choose by hand what counts.",
                number=len(plus),
            )
        )
    plus_g, minus_g = plus[0].mass_g, next((each.mass_g for each in minus if each.mass_g), None)
    if not plus_g or not minus_g:
        raise NoValue(
            phrase(
                "The mass of the {fraction} fraction is not known, so its share of the sample isn't either.",
                fraction=phrase(MINUS if plus_g else PLUS),
            )
        )
    if any(each.mass_g not in (None, minus_g) for each in minus):
        raise NoValue(phrase("The readings of the minus fraction give it different masses."))
    plus_gold = (gold_mg(plus[0].lowest, plus_g), _most_gold([plus[0].highest], plus_g))
    minus_gold = (
        gold_mg(_mean([each.lowest for each in minus]), minus_g),
        _most_gold([each.highest for each in minus], minus_g),
    )
    whole_g = total_mass_g([plus_g, minus_g])
    most = None if None in (plus_gold[1], minus_gold[1]) else plus_gold[1] + minus_gold[1]
    return ScreenParts(
        plus=plus[0],
        minus=tuple(minus),
        plus_gold_mg=plus_gold,
        minus_gold_mg=minus_gold,
        lowest=grade_g_per_t(plus_gold[0] + minus_gold[0], whole_g),
        highest=None if most is None else grade_g_per_t(most, whole_g),
    )


def screen_value(figures: Sequence[Figure]) -> Value:
    """Return the grade of a screen fire assay from its parts, weighted by mass (Beringer, A Text-book of Assaying, 1904).

    A part below its limit leaves a figure only where it comes out the same with nothing in it and with all it can hold; both
    below give a bound. Otherwise NoValue.

    >>> parts = [
    ...     Figure("value", Decimal("73.1225296443"), fraction="plus", mass_g=Decimal("25.3")),
    ...     Figure("value", Decimal("3.2"), fraction="minus", mass_g=Decimal("974.7")),
    ...     Figure("value", Decimal("3.6"), fraction="minus", mass_g=Decimal("974.7")),
    ... ]
    >>> screen_value(parts).grade
    Decimal('5.163980')
    """
    parts = screen_parts(figures)
    if all(each.symbol == BELOW for each in parts.used):
        return Value(BELOW, None, _to_step(parts.highest), parts.used)
    return _bounded(
        parts.lowest,
        parts.highest,
        parts.used,
        open_above=to_phrase(
            "A part lies below the detection limit and others above the upper limit, so the grade is not known."
        ),
        no_figure=to_phrase("A part lies below the detection limit, so the grade is no single figure."),
    )


def screen_over_charge(figures: Sequence[Figure]) -> Value:
    """Return the screen fire assay; where it is no single figure and nothing else was assayed, the bound it leaves."""
    try:
        return screen_value(figures)
    except NoValue:
        if any(not each.fraction for each in figures):
            raise
        return screen_bound(figures)


def screen_bound(figures: Sequence[Figure]) -> Value:
    """Return the bound a screen fire assay leaves where its parts come to no single figure and nothing else was assayed.

    True, though it tells less than the parts: below the most that can be in both. NoValue where even that is not known.

    >>> parts = [
    ...     Figure("value", Decimal(12), fraction="plus", mass_g=Decimal(20)),
    ...     Figure("below", limit=Decimal("0.01"), fraction="minus", mass_g=Decimal(980)),
    ... ]
    >>> screen_bound(parts).limit
    Decimal('0.249800')
    """
    parts = screen_parts(figures)
    if parts.highest is None:
        raise NoValue(
            phrase(
                "A part lies above its upper limit and another below its own, so nothing bounds the grade."
            )
        )
    note = phrase("a part is below its limit, so the grade is no single figure")
    between = (_significant(parts.lowest, 3), _significant(parts.highest, 3))
    return Value(BELOW, None, _to_step(parts.highest), parts.used, note, between)


RULES: dict[str, Callable[[Sequence[Figure]], Value]] = {
    FIRST: first_value,
    MEAN: mean_value,
    SCREEN: screen_over_charge,
}


def settle(figures: Sequence[Figure], *, asked: str = "", by_screen: bool = False) -> Settled:
    """Return what a sample counts with by the rule asked for; where it gives no value, by the first reading.

    Without a rule asked for (`asked` empty) the first reading counts, but a screen fire assay over it where that was what the
    laboratory was asked for (`by_screen`). Where nothing but its fractions came, the screen fire assay counts in any case.

    >>> settle([Figure("value", Decimal("0.04")), Figure("below", limit=Decimal("0.005"))], asked=MEAN).rule
    'first'
    """
    if not figures:
        return Settled(asked or FIRST, None)
    why, between = "", None
    for rule in dict.fromkeys((asked or (SCREEN if by_screen else FIRST), FIRST, SCREEN)):
        try:
            value = RULES[rule](figures)
        except NoValue as none:
            if rule == asked:
                why, between = str(none).rstrip("."), none.between
            continue
        if rule == SCREEN and not asked:
            why = value.note.rstrip(".") or phrase("both fractions of a screen fire assay came")
        return Settled(rule, value, why, between or value.between)
    return Settled(asked or FIRST, None, why, between)


def is_screen_total(method: str, *, by_screen: bool) -> bool:
    """Return whether a reading of the whole sample is the total of a screen fire assay, by what its column says.

    Where nothing but a screen fire assay was asked for (`by_screen`), any reading of the whole is one, unless it says that it is
    a charge.

    >>> is_screen_total("screen total", by_screen=False), is_screen_total("30 g charge", by_screen=True)
    (True, False)
    """
    words = set(re.findall("[a-z]+", method.lower()))
    if words & {"screen", "screened", "metallic", "metallics", "total"}:
        return True
    return by_screen and not words & {"charge", "g"}


def disagrees_with_printed(value: Value, printed: Figure) -> bool:
    """Return whether a printed total is not what its parts add up to, beyond rounding. Bounds are not compared."""
    if value.symbol != VALUE or printed.symbol != VALUE:
        return False
    return abs(value.grade - printed.grade) > ROUNDING * max(value.grade, printed.grade)


def _whole_without_overlimits(figures: Sequence[Figure]) -> list[Figure]:
    """Readings of the whole sample; one above its limit gives way to a re-run that found at least that much."""
    whole = [each for each in figures if not each.fraction]
    if not whole:
        raise NoValue(phrase("No reading of the whole sample says anything of its grade."))
    most = max((each.grade for each in whole if each.symbol == VALUE), default=Decimal(-1))
    return [each for each in whole if each.symbol != ABOVE or each.limit > most]


def _bounded(
    lowest: Decimal, highest: Decimal | None, used: Sequence[Figure], *, open_above: str, no_figure: str
) -> Value:
    """A figure where lowest and highest say the same, a lower bound where the top is open; else NoValue.

    `open_above` and `no_figure` say why there is none, where the top is open and where both are known.
    """
    has_below = any(each.symbol == BELOW for each in used)
    if highest is None:
        if has_below:
            raise NoValue(phrase(open_above))
        return Value(ABOVE, None, _to_step(lowest), tuple(used))
    if lowest == highest:
        return Value(VALUE, _to_step(lowest), None, tuple(used))
    if _significant(lowest, 3) == _significant(highest, 3):
        note = phrase("The same to three figures whatever lies below the detection limit.")
        return Value(VALUE, _to_step(_significant(lowest, 3)), None, tuple(used), note)
    if highest - lowest < ROUNDING * highest:
        note = phrase(
            "What was found; what lies below the detection limit could add less than {share} %.",
            share=numeral(100 * ROUNDING, ".0f"),
        )
        return Value(VALUE, _to_step(_significant(lowest, 3)), None, tuple(used), note)
    if _significant(lowest, 2) == _significant(highest, 2):
        note = phrase("The same to two figures whatever lies below the detection limit.")
        return Value(VALUE, _to_step(_significant(lowest, 2)), None, tuple(used), note)
    raise NoValue(
        phrase(no_figure),
        between=(_significant(lowest, 3), _significant(highest, 3)),
    )


def _most_gold(highest: Sequence[Decimal | None], mass_g: Decimal) -> Decimal | None:
    return None if None in highest else gold_mg(_mean(highest), mass_g)


def _mean(grades: Sequence[Decimal]) -> Decimal:
    return statistics.mean(grades)


def _to_step(grade: Decimal) -> Decimal:
    """To what the database keeps."""
    return grade.quantize(GRADE_STEP, rounding=ROUND_HALF_EVEN)


def _significant(grade: Decimal, digits: int) -> Decimal:
    if grade == 0:
        return grade
    return grade.quantize(Decimal(1).scaleb(grade.adjusted() - digits + 1), rounding=ROUND_HALF_EVEN)
