"""Gold off a scale: several readings, with or without a dish, brought to one mass; and what the tails kept back of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from prospecting.calc.grade import recovery_of_products
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written, listed, numeral
from prospecting.calc.units import format_gold_mg, format_share

# What the database keeps of a mass of gold, in mg.
KEPT_MG = Decimal("0.0001")
# Readings of one load may differ by no more than the error the scale is allowed (OIML R 76-1:2006, 3.6.1), and a scale in
# service is allowed at most three of its steps (UK Statutory Instrument 1995/1907, schedule 2, 4.1 and 4.2).
MOST_STEPS_APART = 3
# Where the scale's step is not known: our own limit, no source.
MOST_APART_WITHOUT_STEP = Decimal("0.1")


@dataclass(frozen=True)
class LeftInTails:
    """The tails' share of the gold of concentrate and tails, as fractions: at least `low`, at most `high` (None: no bound)."""

    low: Decimal
    high: Decimal | None

    def __str__(self) -> str:
        if self.high is None:
            return phrase("at least {share}", share=format_share(self.low))
        if self.low == self.high:
            return format_share(self.low)
        return phrase("less than {share}", share=format_share(self.high))


def mean_reading_mg(readings_mg: Sequence[Decimal]) -> Decimal:
    """Return the mean of one or more readings in mg, not rounded. No reading raises ValueError."""
    if not readings_mg:
        raise ValueError(phrase("Weigh it at least once."))
    return sum(readings_mg, Decimal(0)) / len(readings_mg)


def weighed_gold_mg(readings_mg: Sequence[Decimal], tare_mg: Decimal | None = None) -> Decimal:
    """Return the gold in mg: the mean of the readings less the empty dish, to 0.0001 mg.

    Readings that do not outweigh the dish raise ValueError with a sentence, and so do no readings at all.

    >>> weighed_gold_mg([Decimal("15.4"), Decimal("15.6"), Decimal("15.5")], Decimal("3.1"))
    Decimal('12.4000')
    """
    mean_mg = mean_reading_mg(readings_mg)
    gold_mg = (mean_mg - (tare_mg or 0)).quantize(KEPT_MG, rounding=ROUND_HALF_EVEN)
    if gold_mg <= 0:
        raise ValueError(
            phrase(
                "Dish and gold weigh {both}, the empty dish {dish}: that leaves no gold. "
                "Check both; if the gold does not show, tick that and leave the weights blank.",
                both=format_gold_mg(mean_mg),
                dish=format_gold_mg(tare_mg),
            )
        )
    return gold_mg


def readings_apart(readings_mg: Sequence[Decimal], scale_step_mg: Decimal | None = None) -> str:
    """Return a question naming readings that differ by more than a sound scale may; blank where they agree.

    Allowed are three steps of the scale (see the source above), a tenth of the mean where its step is not known.

    >>> readings_apart([Decimal("12.3"), Decimal("12.5"), Decimal("12.9")], Decimal("0.1"))
    'The readings 12.3, 12.5 and 12.9 mg lie 0.6 mg apart; expected is 0.3 mg, three steps of this scale, at most. Is each right?'
    """
    if len(readings_mg) < 2:
        return ""
    apart_mg = max(readings_mg) - min(readings_mg)
    if scale_step_mg:
        allowed_mg, why = MOST_STEPS_APART * scale_step_mg, phrase("three steps of this scale")
    else:
        allowed_mg = MOST_APART_WITHOUT_STEP * mean_reading_mg(readings_mg)
        why = phrase("a tenth of their mean")
    if apart_mg <= allowed_mg:
        return ""
    return phrase(
        "The readings {readings} mg lie {apart} mg apart; expected is {allowed}, {why}, at most. Is each right?",
        readings=listed([_plain(reading) for reading in readings_mg]),
        apart=_plain(apart_mg),
        allowed=format_gold_mg(allowed_mg),
        why=why,
    )


@as_written()
def weighed_as_said(gold_mg: Decimal, readings: Sequence[str], *, in_dish: bool) -> str:
    """Return how a result is kept: as typed where it was read off at once, else the mass and how it came about.

    >>> weighed_as_said(Decimal("12.4"), ["15.4 mg", "15.6 mg", "15.5 mg"], in_dish=True)
    '12.4 mg (mean of 3, less dish)'
    """
    if len(readings) == 1 and not in_dish:
        return readings[0]
    how = ([f"mean of {len(readings)}"] if len(readings) > 1 else []) + (["less dish"] if in_dish else [])
    return f"{format_gold_mg(gold_mg)} ({', '.join(how)})"


def left_in_tails(
    gold_mg: Decimal | None,
    tails_mg: Decimal | None,
    *,
    gold_step_mg: Decimal | None = None,
    tails_step_mg: Decimal | None = None,
) -> LeftInTails | None:
    """Return the share of the gold found in both that the tails held; bounds where one of the two is below its scale.

    A mass of None with a step is below that step: anything from nothing to the step. None without a step was not weighed,
    and nothing can be said (None), as when both are below their scales.

    >>> left_in_tails(Decimal(9), Decimal(1)).low
    Decimal('0.1')
    """
    if (gold_mg is None and not gold_step_mg) or (tails_mg is None and not tails_step_mg):
        return None
    if gold_mg is not None and tails_mg is not None:
        share = recovery_of_products(tails_mg, gold_mg)
        return LeftInTails(share, share)
    if gold_mg is not None:
        return LeftInTails(Decimal(0), recovery_of_products(tails_step_mg, gold_mg))
    if tails_mg is not None:
        return LeftInTails(recovery_of_products(tails_mg, gold_step_mg), None)
    return None


def _plain(number: Decimal) -> str:
    return numeral(number.normalize(), "f")
