"""What a flocculant gains in minutes and costs in gold, dose by dose; and how much of that gold lay in the settled mud.

Times come as the two looks between which a tub got clear, or as longer than it was watched, and stay so: every time and every
difference of times here has a lower and an upper end, either of which may be open.
"""

import math
import statistics
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.units import format_gold_mg, format_share
from trials.calc.bridge import LogRatio
from trials.calc.clearing import Reached

LEVEL = 0.05
POWER = 0.8

# How far a search for a loss looks: a trial that sees nothing short of 99 % of the gold gone sees no loss worth the name.
LARGEST_LOSS = 0.99
STEPS = 2000


@dataclass(frozen=True)
class Minutes:
    """A time, or one time less another, in minutes. An end of None is open.

    `low` to `high` holds whatever went on between two looks. `least` to `most` takes a tub as clear at the look that first
    showed it so: both alike, unless a tub was not seen clear at all.
    """

    low: float | None
    high: float | None
    least: float | None
    most: float | None

    @classmethod
    def exactly(cls, minutes: float) -> "Minutes":
        return cls(minutes, minutes, minutes, minutes)

    @property
    def about(self) -> float | None:
        """The estimate; None where it is open."""
        return self.least if self.least == self.most else None

    @property
    def ends(self) -> tuple[float, float]:
        """Least and most by estimate, open ends at infinity."""
        return _from_below(self.least), _from_above(self.most)

    @property
    def is_told(self) -> bool:
        """Whether, as a gain in time, it tells sooner from later."""
        least, most = self.ends
        return self.about is not None or least >= 0 or most <= 0


@dataclass(frozen=True)
class Loss:
    """Gold lost against the control, as fractions of the control's (below zero: gained); an end of None is open."""

    about: float
    least: float | None
    most: float | None


@dataclass(frozen=True)
class Bounds:
    """What something is at least and at most: masses in mg, or shares; both alike where it was weighed."""

    low: Decimal
    high: Decimal

    @property
    def as_share(self) -> str:
        """In percent; blank where it may be anything.

        >>> Bounds(Decimal(0), Decimal("0.2")).as_share, Bounds(Decimal("0.1"), Decimal("0.25")).as_share
        ('less than 20 %', '10 to 25 %')
        """
        return self._written(format_share, most=Decimal(1))

    @property
    def about_share(self) -> str:
        """In whole percent, for what is itself an estimate."""
        low, high = (f"{100 * end:.0f}" for end in (self.low, self.high))
        return f"{low} %" if low == high else phrase("{low} to {high} %", low=low, high=high)

    @property
    def as_gold(self) -> str:
        """In mg.

        >>> Bounds(Decimal(0), Decimal("0.1")).as_gold, Bounds(Decimal("1.25"), Decimal("1.25")).as_gold
        ('less than 0.1 mg', '1.25 mg')
        """
        return self._written(format_gold_mg, most=None)

    def _written(self, write: Callable[[Decimal], str], most: Decimal | None) -> str:
        if self.low == self.high:
            return write(self.low)
        if self.high == most:
            return phrase("at least {low}", low=write(self.low)) if self.low else ""
        if not self.low:
            return phrase("less than {high}", high=write(self.high))
        # The unit once.
        return phrase("{low} to {high}", low=write(self.low).rpartition(" ")[0], high=write(self.high))


@dataclass(frozen=True)
class OverTrials:
    """Several trials' ratios of one dose to their own controls, as one. `kind` in the words of verdicts.

    The ends are of the interval that decides, at `confidence`. `loss_in_sight` is what these trials together show 8 times in
    10; None where that is no loss short of nearly all. `agreement` says how far the trials differ.
    """

    kind: str
    ratio: float
    lower: float
    upper: float
    confidence: float
    loss_in_sight: float | None
    agreement: str


@dataclass(frozen=True)
class Weighed:
    """A dose by its two aims: gold as a multiple of the control's, and minutes sooner than the tub without."""

    gold: float
    sooner: Minutes


def cleared_in(tubs: Sequence[Reached]) -> Minutes:
    """Return the middle time (median) to the target of tubs treated alike, one or more, else ValueError.

    A tub that was not seen clear took longer than it was watched: it counts as anything from there on. With an even number
    of tubs the middle lies half-way between the two middle ones.

    >>> cleared_in([Reached(20, 15, 30, True, 0), Reached(30, 20, 30, True, 0), Reached(None, None, 60, None, 0)])
    Minutes(low=20.0, high=30.0, least=30.0, most=30.0)
    """
    if not tubs:
        raise ValueError("No tub: there is no time.")
    return _middle([_of_tub(tub) for tub in tubs])


def sooner(control: Minutes, dosed: Minutes) -> Minutes:
    """Return how many minutes sooner than the control's tubs the dosed ones were clear; below zero later.

    >>> sooner(Minutes(60.0, None, 60.0, None), Minutes(15.0, 20.0, 20.0, 20.0))
    Minutes(low=40.0, high=None, least=40.0, most=None)
    """
    return Minutes(
        low=_less(control.low, dosed.high),
        high=_less(control.high, dosed.low),
        least=_less(control.least, dosed.most),
        most=_less(control.most, dosed.least),
    )


def over_tests(each: Sequence[Minutes]) -> Minutes:
    """Return the middle (median) of what several tests gave, each against its own control; one or more, else ValueError.

    >>> over_tests([Minutes.exactly(40.0), Minutes(50.0, None, 50.0, None), Minutes.exactly(30.0)]).about
    40.0
    """
    if not each:
        raise ValueError("No test: there is no time.")
    return _middle(each)


def sooner_in_words(gain: Minutes) -> str:
    """Write a gain in time as it follows "it clears the tub"; blank where it does not tell sooner from later.

    >>> sooner_in_words(Minutes(30.0, 50.0, 40.0, 40.0)), sooner_in_words(Minutes(42.5, None, 42.5, None))
    ('about 40 min sooner', 'at least 42 min sooner')
    """
    least, most = gain.ends
    if not gain.is_told:
        return ""
    if gain.about is not None:
        if gain.about == 0:
            return phrase("no sooner")
        minutes = minutes_text(abs(gain.about))
        return (
            phrase("about {minutes} min sooner", minutes=minutes)
            if gain.about > 0
            else phrase("about {minutes} min later", minutes=minutes)
        )
    return _between(least, most, sooner=True) if least >= 0 else _between(-most, -least, sooner=False)


def minutes_text(minutes: float) -> str:
    """Write minutes as watches tell them: whole ones from 10 up, tenths below.

    >>> minutes_text(42.5), minutes_text(7.25)
    ('42', '7.2')
    """
    return f"{minutes:.0f}" if abs(minutes) >= 10 else numeral(round(minutes, 1), "g")


def loss_of(ratio: float, lower: float | None, upper: float | None) -> Loss:
    """Return the gold lost by a treatment that recovers `ratio` times the control's, with the ends of the ratio's interval.

    >>> loss_of(0.8, 0.65, 0.92)
    Loss(about=0.2, least=0.08, most=0.35)
    """
    for each in (ratio, lower, upper):
        if each is not None and not each >= 0:
            raise ValueError(f"{each} times as much: it must be 0 or more.")
    return Loss(*(None if each is None else round(1 - each, 12) for each in (ratio, upper, lower)))


def percent_range(least: float, most: float) -> str:
    """Write two fractions, the first the smaller, as a range in whole percent, rounded outward so that it never flatters.

    An end short of 1 % is written to one figure: what is shown to differ from nothing must not be written as nothing.

    >>> percent_range(0.083, 0.346), percent_range(0.004, 0.12), percent_range(-0.05, 0.12)
    ('8 to 35 %', '0.4 to 12 %', '-5 to 12 %')
    """
    return phrase("{low} to {high} %", low=_outward(least, math.floor), high=_outward(most, math.ceil))


def percent_up(share: float) -> str:
    """Write a fraction in percent, rounded up.

    >>> percent_up(0.2221)
    '23 %'
    """
    return f"{_outward(share, math.ceil)} %"


def percent_down(share: float) -> str:
    """Write a fraction in percent, rounded down."""
    return f"{_outward(share, math.floor)} %"


def loss_in_sight(gain_in_sight: float, chance_share: float = 0.0) -> float | None:
    """Return the smallest loss, as a fraction, that a trial shows as often as it shows a gain of `gain_in_sight` times.

    None where it shows no loss short of `LARGEST_LOSS`. `chance_share` as in `power.power_against_control`.

    Notes
    -----
    A gain is in sight where ln ratio = c sqrt(v(ratio)), v the variance of a pair of runs at that ratio: 2 where both spread
    alike, 1 + 1 / ratio where gold falls by chance alone. c follows from the gain, and the loss from c: a loss leaves fewer
    grains to tell by, so it has to be larger than the gain turned over.

    >>> round(loss_in_sight(1.25), 3), round(loss_in_sight(1.25, 1.0), 3)
    (0.2, 0.222)
    """
    if not (gain_in_sight > 1 and 0 <= chance_share <= 1):
        raise ValueError(
            f"a gain of {gain_in_sight} times, {chance_share} of the spread by chance: nothing to turn over."
        )

    def variance(log_ratio: float) -> float:
        return 2 - chance_share * (1 - math.exp(-log_ratio))

    farthest = -math.log(1 - LARGEST_LOSS)
    reach = math.log(gain_in_sight) / math.sqrt(variance(math.log(gain_in_sight)))

    def short_of(log_loss: float) -> float:
        return log_loss - reach * math.sqrt(variance(-log_loss))

    grid = [farthest * step / STEPS for step in range(STEPS + 1)]
    end = next((log_loss for log_loss in grid if short_of(log_loss) >= 0), None)
    if end is None:
        return None
    low, high = end - farthest / STEPS, end
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if short_of(middle) >= 0 else (middle, high)
    return 1 - math.exp(-high)


def over_trials(parts: Sequence[LogRatio], smallest_ratio: float, doses: int) -> OverTrials:
    """Return what several trials of one dose together show, each by its ratio to its own control.

    Parameters
    ----------
    parts : sequence of LogRatio, two or more
        Else ValueError. The trials share no runs.
    smallest_ratio : float, above 1
        Ratios this far from 1 and further matter.
    doses : int
        How many doses are judged beside each other: the 5 % of an interval are shared out over them (Bonferroni).

    Notes
    -----
    The average of just these trials (`across_trials.summary_of_ratios`): it says nothing of what another trial, with other ore
    or water, would show; `agreement` does.

    >>> found = over_trials([LogRatio.of(0.8, 0.06, 12), LogRatio.of(0.7, 0.08, 12)], 1.25, 1)
    >>> found.kind, round(found.ratio, 2)
    ('worse', 0.76)
    """
    from trials.calc.across_trials import summary_of_ratios
    from trials.calc.power import detectable_ratio_for
    from trials.calc.simultaneous import t_quantile
    from trials.calc.verdict import flags

    summary = summary_of_ratios(parts)
    average, level = summary.average, LEVEL / doses
    confidence = 1 - level
    lower, upper = average.interval(confidence)
    narrow = average.interval(1 - 2 * level)
    shown = flags(lower, upper, *narrow, 1 / smallest_ratio, smallest_ratio, nothing=1.0)
    kind = "better" if shown.shown_better else "worse" if shown.shown_worse else "not shown"
    if kind == "not shown" and shown.shown_equivalent:
        kind, confidence, (lower, upper) = "equivalent", 1 - 2 * level, narrow
    gain = detectable_ratio_for(average.se, t_quantile(1 - level / 2, average.df), average.df, POWER)
    loss = loss_in_sight(gain) if math.isfinite(gain) else None
    return OverTrials(kind, average.ratio, lower, upper, confidence, loss, summary.agreement)


def not_beaten(doses: Mapping[Hashable, Weighed]) -> list[Hashable]:
    """Return the doses that no other is known to beat: as good on gold and on minutes, and better on one of them.

    By the estimates, not by their intervals. A gain of "at least" so many minutes is beaten only by one known to be more.
    The definition is the usual one of a set of best compromises (Pareto); tests hold it against a sweep after Kung, Luccio
    and Preparata 1975, J. ACM 22, 469-476 (from memory).

    >>> at = {"none": (1.0, 0.0), "a": (0.9, 30.0), "b": (0.8, 20.0)}
    >>> not_beaten({name: Weighed(gold, Minutes.exactly(sooner)) for name, (gold, sooner) in at.items()})
    ['none', 'a']
    """
    return [
        name
        for name, dose in doses.items()
        if not any(_beats(other, dose) for each, other in doses.items() if each != name)
    ]


def told_apart(first: Loss, second: Loss) -> bool:
    """Return whether two intervals share nothing, so that they alone tell which dose keeps more gold.

    The interval of the two doses' own ratio may tell them apart where these do not.
    """
    if None in (first.least, first.most, second.least, second.most):
        return False
    return first.most < second.least or second.most < first.least


def gold_bounds(
    gold_mg: Decimal | None, *, below_scale: bool, scale_step_mg: Decimal | None
) -> Bounds | None:
    """Return what was weighed, or nothing up to a step where the scale showed nothing; None where it was not weighed.

    >>> gold_bounds(None, below_scale=True, scale_step_mg=Decimal("0.1"))
    Bounds(low=Decimal('0'), high=Decimal('0.1'))
    """
    if gold_mg is not None:
        return Bounds(gold_mg, gold_mg)
    if below_scale and scale_step_mg:
        return Bounds(Decimal(0), scale_step_mg)
    return None


def mean_bounds(each: Sequence[Bounds]) -> Bounds:
    """Return the mean of what is known between ends; one or more, else ValueError."""
    if not each:
        raise ValueError("Nothing was weighed: there is no mean.")
    in_all = added_up(each)
    return Bounds(in_all.low / len(each), in_all.high / len(each))


def added_up(each: Sequence[Bounds]) -> Bounds:
    """Return what several make together.

    >>> added_up([Bounds(Decimal(1), Decimal(1)), Bounds(Decimal(0), Decimal("0.1"))]).high
    Decimal('1.1')
    """
    return Bounds(sum((one.low for one in each), Decimal(0)), sum((one.high for one in each), Decimal(0)))


def share_found(part: Bounds, others: Sequence[Bounds]) -> Bounds | None:
    """Return the part's share of the gold found in all; None where nothing may have been found at all.

    >>> share_found(Bounds(Decimal(1), Decimal(1)), [Bounds(Decimal(3), Decimal(3))]).low
    Decimal('0.25')
    """
    beside = added_up(others)
    # The share is lowest with least of the part and most of the others, and highest the other way round.
    if part.high + beside.low == 0 or part.low + beside.high == 0:
        return None
    return Bounds(part.low / (part.low + beside.high), part.high / (part.high + beside.low))


def lost_mg(loss: Loss, control_mg: float) -> tuple[float, float] | None:
    """Return least and most gold in mg lost from a portion of which the control gives `control_mg`; None unless a loss is shown.

    >>> lost_mg(Loss(0.2, 0.1, 0.3), 8.0)
    (0.8, 2.4)
    """
    if loss.least is None or loss.most is None or not (loss.least > 0 and control_mg > 0):
        return None
    return round(loss.least * control_mg, 12), round(loss.most * control_mg, 12)


def found_again(lost: tuple[float, float], mud: Bounds, mud_of_control: Bounds | None) -> Bounds:
    """Return which share of the gold lost from the pan lay in the mud beyond what the control's mud held: 0 to 1.

    `lost` as of `lost_mg`. Where the control's mud was not panned all of the dose's mud is taken.

    >>> found_again((1.0, 2.0), Bounds(Decimal(1), Decimal(1)), Bounds(Decimal("0.5"), Decimal("0.5")))
    Bounds(low=Decimal('0.25'), high=Decimal('0.5'))
    """
    least, most = (Decimal(repr(end)) for end in lost)
    of_control = mud_of_control or Bounds(Decimal(0), Decimal(0))
    shares = (mud.low - of_control.high) / most, (mud.high - of_control.low) / least
    return Bounds(*(min(max(share, Decimal(0)), Decimal(1)) for share in shares))


def _of_tub(tub: Reached) -> Minutes:
    if not tub.reached:
        return Minutes(tub.watched_min, None, tub.watched_min, None)
    return Minutes(tub.after_min or 0.0, tub.by_min, tub.by_min, tub.by_min)


def _middle(each: Sequence[Minutes]) -> Minutes:
    ends = (
        statistics.median(_from_below(one.low) for one in each),
        statistics.median(_from_above(one.high) for one in each),
        statistics.median(one.ends[0] for one in each),
        statistics.median(one.ends[1] for one in each),
    )
    return Minutes(*(float(end) if math.isfinite(end) else None for end in ends))


def _from_below(end: float | None) -> float:
    return -math.inf if end is None else end


def _from_above(end: float | None) -> float:
    return math.inf if end is None else end


def _between(least: float, most: float, *, sooner: bool) -> str:
    if math.isfinite(most):
        low, high = minutes_text(least), minutes_text(most)
        return (
            phrase("between {low} and {high} min sooner", low=low, high=high)
            if sooner
            else phrase("between {low} and {high} min later", low=low, high=high)
        )
    if least == 0:
        return (
            phrase("sooner, by how much nobody watched long enough to tell")
            if sooner
            else phrase("later, by how much nobody watched long enough to tell")
        )
    low = minutes_text(math.floor(least))
    return (
        phrase("at least {low} min sooner", low=low)
        if sooner
        else phrase("at least {low} min later", low=low)
    )


def _less(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else first - second


def _beats(first: Weighed, second: Weighed) -> bool:
    surely, at_most = first.sooner.ends[0], second.sooner.ends[1]
    as_good = first.gold >= second.gold and surely >= at_most
    return as_good and (first.gold > second.gold or surely > at_most)


def _outward(share: float, to_whole) -> str:
    percent = round(100 * share, 6)
    whole = to_whole(percent)
    if 0 < abs(percent) < 1:
        return numeral(percent, ".1g")
    return f"{whole:d}"
