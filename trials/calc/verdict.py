"""What the group may conclude about one treatment, in words: better, worse, equivalent within the margin, or not shown."""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Literal

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import in_mark, numeral
from trials.calc.comparison import ControlComparison, TreatmentComparison
from trials.calc.permutation import fewest_blocks, fewest_in_one_order
from trials.calc.plan_sight import Plan, Spread, rows_needed, sight
from trials.calc.power import (
    MOST_BLOCKS,
    blocks_needed,
    detectable_ratio_for,
    least_spread_of_counts,
    standard_error_if_alike,
)
from trials.calc.ratio_words import between
from trials.calc.simultaneous import critical_t_balanced

Kind = Literal["better", "worse", "equivalent", "not shown"]
POWER = 0.8
FEWEST_RUNS = 3
FEWEST_DF = 2
# A ratio past this is written as "nothing short of a hundredfold".
LARGEST_RATIO = 100.0


@dataclass(frozen=True)
class Verdict:
    """One treatment against the control. `detectable_ratio` is what the trial could have seen 8 times in 10.

    A number is None where the runs cannot give it; the explanation then says why. `more_blocks` beyond those run would show
    the smallest ratio that matters 8 times in 10; None also where more than MOST_BLOCKS would be needed.
    """

    kind: Kind
    headline: str
    explanation: str
    ratio: float | None = None
    lower: float | None = None
    upper: float | None = None
    detectable_ratio: float | None = None
    more_blocks: int | None = None
    within_margin: bool = False


@dataclass(frozen=True)
class VerdictFlags:
    """What two intervals show against margins; better and equivalent can both be true."""

    shown_better: bool
    shown_worse: bool
    shown_equivalent: bool

    @property
    def not_shown(self) -> bool:
        return not (self.shown_better or self.shown_worse or self.shown_equivalent)


@dataclass(frozen=True)
class _Reach:
    """What the trial could have seen, in numbers and in one or two sentences."""

    ratio: float | None
    more_blocks: int | None
    sentence: str


@dataclass(frozen=True)
class UnevenFailures:
    """The treatment that lost most runs, how many, and the most that any other lost."""

    treatment: str
    failed: int
    most_elsewhere: int


def uneven_failures(failed: Mapping[str, int]) -> UnevenFailures | None:
    """Return the treatment that lost two runs or more and over twice what any other lost; None where none did.

    `failed` maps every treatment to the runs it lost, 0 included. A rule of thumb: common practice, no source.

    >>> uneven_failures({"water": 1, "rinse": 3}).treatment
    'rinse'
    """
    if not failed:
        raise ValueError("No treatment at all: nothing could fail.")
    worst = max(failed, key=failed.__getitem__)
    rest = max((number for name, number in failed.items() if name != worst), default=0)
    if failed[worst] < 2 or failed[worst] <= 2 * rest:
        return None
    return UnevenFailures(worst, failed[worst], rest)


def flags(
    ci95_lower: float,
    ci95_upper: float,
    ci90_lower: float,
    ci90_upper: float,
    lower_margin: float,
    upper_margin: float,
    nothing: float = 0.0,
) -> VerdictFlags:
    """Return what the intervals show; `nothing` is the value of no difference (0 for differences, 1 for ratios).

    >>> flags(0.02, 0.26, 0.04, 0.24, -0.3, 0.3)
    VerdictFlags(shown_better=True, shown_worse=False, shown_equivalent=True)
    """
    return VerdictFlags(
        ci95_lower > nothing, ci95_upper < nothing, lower_margin < ci90_lower and ci90_upper < upper_margin
    )


def judge(
    comparison: ControlComparison,
    treatment: Hashable,
    smallest_ratio: float,
) -> Verdict:
    """Return the verdict on one treatment.

    Parameters
    ----------
    comparison : ControlComparison
    treatment : hashable
        A treatment of the comparison, not the control.
    smallest_ratio : float, above 1
        The smallest ratio that would change what the group does, fixed before the trial; its inverse counts as well.

    Notes
    -----
    Better or worse only when the interval of all treatments judged together leaves out 1 (by places: when the level judged
    together is under 1 - confidence). Equivalent when the interval of two one-sided 5 % tests, shared out over the
    treatments, lies inside the margin. Fewer than 3 runs of either, or under 2 df of error, show nothing.
    """
    if not (smallest_ratio > 1 and math.isfinite(smallest_ratio)):
        raise ValueError(f"smallest ratio that matters {smallest_ratio}: it must be above 1.")
    entry = comparison.of(treatment)
    name, control = str(treatment), str(comparison.control)
    reach = _reach(comparison, entry, smallest_ratio)
    if entry.p_adjusted is None:
        return _not_shown(name, entry.note, reach, entry)
    if min(entry.runs, comparison.control_runs) < FEWEST_RUNS or (
        comparison.df is not None and comparison.df < FEWEST_DF
    ):
        return _not_shown(name, _too_few(entry, comparison, name, control), reach, entry)
    if comparison.route == "ranks":
        return _by_places(comparison, entry, name, control, reach)
    return _by_ratio(comparison, entry, smallest_ratio, name, control, reach)


def not_enough(
    treatment: str, reason: str, smallest_ratio: float, blocks: int, in_one_order: bool = False
) -> Verdict:
    """Return "not shown" where no comparison could be made at all (one block, no control run): say why and what to do first."""
    more = max(1, FEWEST_RUNS - blocks)
    sentence = phrase(
        "Without a spread between equal runs it cannot be said what ratio this trial could have seen; "
        "{more} would show the spread, and then how many it takes to see {wanted} times.",
        more=rows_counted(more, " more", in_one_order),
        wanted=_stated(smallest_ratio),
    )
    return Verdict("not shown", not_shown(treatment), f"{_sentence(reason)} {sentence}", more_blocks=more)


def written(ratio: float, figures: int = 2) -> str:
    """Write a ratio to so many figures, or as many as keep it from reading as exactly 1.

    >>> written(1.4712), written(0.8449), written(1.004), written(23.4)
    ('1.5', '0.84', '1.004', '23')
    """
    if ratio == 0:
        return "0"
    for digits in range(figures, 6):
        text = f"{ratio:.{digits}g}"
        if "e" in text:
            return f"{ratio:.0f}" if ratio > 1 else in_mark(f"{ratio:.6f}".rstrip("0"))
        if float(text) != 1 or ratio == 1:
            return in_mark(text)
    return "1"


def rounded_up(ratio: float, figures: int = 2) -> str:
    """Write what a trial could have seen to so many figures, rounded up: never flattering it.

    >>> rounded_up(1.231), rounded_up(1.231, 3), rounded_up(1.2301, 3)
    ('1.3', '1.24', '1.24')
    """
    if not (ratio > 0 and math.isfinite(ratio)):
        raise ValueError(f"ratio {ratio}: it must be above 0 and finite.")
    step = 10.0 ** (math.floor(math.log10(ratio)) - figures + 1)
    up = math.ceil(ratio / step - 1e-9) * step
    return written(up, figures)


def _stated(ratio: float) -> str:
    """Write the ratio the group fixed as it was fixed: 1.25 stays 1.25."""
    return numeral(ratio, "g")


def _by_ratio(comparison, entry, smallest_ratio, name, control, reach) -> Verdict:
    # A side without a limit reaches as far as it can.
    lower = entry.lower if entry.lower is not None else 0.0
    upper = entry.upper if entry.upper is not None else math.inf
    inner = (entry.equivalence_lower, entry.equivalence_upper)
    margin = 1 / smallest_ratio, smallest_ratio
    narrow, wide = inner if None not in inner else (0.0, math.inf)
    shown = flags(lower, upper, narrow, wide, *margin, nothing=1.0)
    numbers = {
        "ratio": entry.ratio,
        "lower": entry.lower,
        "upper": entry.upper,
        "detectable_ratio": reach.ratio,
        "more_blocks": reach.more_blocks,
        "within_margin": shown.shown_equivalent,
    }
    interval = _interval(comparison, entry)
    if shown.shown_better or shown.shown_worse:
        kind = "better" if shown.shown_better else "worse"
        said = shows(comparison.route == "colours", name, control, shown.shown_better)
        if shown.shown_equivalent:
            said = phrase("{shown}, but by less than the group said matters", shown=said)
        return Verdict(kind, f"{said}.", interval, **numbers)
    if shown.shown_equivalent:
        explanation = phrase(
            "Between {low} and {high} times as much (90 % interval, adjusted for judging all treatments together); the "
            "group said that less than {margin} times either way does not matter.",
            low=written(narrow),
            high=written(wide),
            margin=_stated(smallest_ratio),
        )
        return Verdict(
            "equivalent",
            phrase("{name} does as well as {control}, within the stated margin.", name=name, control=control),
            explanation,
            **numbers,
        )
    return Verdict("not shown", not_shown(name), f"{interval} {reach.sentence}", **numbers)


def _by_places(comparison, entry, name, control, reach) -> Verdict:
    level = 1 - comparison.confidence
    within = phrase("in the one order of all runs") if comparison.in_one_order else phrase("within blocks")
    how = phrase(
        "judged by places {within} at the {level} % level, all treatments together; {below} of {all} runs came out "
        "below the scale, so no ratio is given.",
        within=within,
        level=numeral(100 * level, "g"),
        below=comparison.runs_below_scale,
        all=comparison.runs_used,
    )
    numbers = {"detectable_ratio": reach.ratio, "more_blocks": reach.more_blocks}
    if entry.p_adjusted < level and entry.blocks_higher != entry.blocks_lower:
        better = entry.blocks_higher > entry.blocks_lower
        where = won(comparison, entry, better)
        place = phrase("Higher {where}", where=where) if better else phrase("Lower {where}", where=where)
        return Verdict(
            "better" if better else "worse",
            f"{shows(comparison.route == 'colours', name, control, better)}.",
            f"{place}; {how}",
            **numbers,
        )
    if comparison.in_one_order:
        explanation = f"{how[0].upper()}{how[1:]} {reach.sentence}"
    else:
        explanation = phrase(
            "Higher than {control} {where}; {how} {reach}",
            control=control,
            where=won(comparison, entry, True),
            how=how,
            reach=reach.sentence,
        )
    return Verdict("not shown", not_shown(name), explanation, **numbers)


def won(comparison: ControlComparison, entry: TreatmentComparison, higher: bool) -> str:
    """Return in how many blocks the treatment came out higher than the control, or lower, by places."""
    if comparison.in_one_order:
        return phrase("on the whole")
    return phrase(
        "in {won} of {all} blocks",
        won=entry.blocks_higher if higher else entry.blocks_lower,
        all=entry.blocks_compared,
    )


def _not_shown(name: str, reason: str, reach: _Reach, entry: TreatmentComparison) -> Verdict:
    return Verdict(
        "not shown",
        not_shown(name),
        f"{_sentence(reason)} {reach.sentence}",
        ratio=entry.ratio,
        lower=entry.lower,
        upper=entry.upper,
        detectable_ratio=reach.ratio,
        more_blocks=reach.more_blocks,
    )


def _too_few(entry, comparison, name, control) -> str:
    short, runs = min((entry.runs, name), (comparison.control_runs, control))[::-1]
    if runs >= FEWEST_RUNS:
        return phrase_counted(
            "{number} degree of freedom is left for the error: that cannot tell chance from an effect.",
            "{number} degree of freedom is left for the error: that cannot tell chance from an effect.",
            comparison.df,
        )
    return phrase_counted(
        "One run per treatment cannot tell chance from an effect ({short} has {number} that count).",
        "Two runs per treatment cannot tell chance from an effect ({short} has {number} that count).",
        runs,
        short=short,
    )


def _reach(comparison, entry, smallest_ratio) -> _Reach:
    """What could have been seen: this comparison's own standard error where there is one, else that of a typical one."""
    together = max(1, comparison.judged_together)
    level = 1 - comparison.confidence
    if comparison.route == "ranks":
        return _reach_by_places(comparison, entry, smallest_ratio, together, level)
    se, df, share = entry.se_log, comparison.df, comparison.chance_share
    # However well the runs agree, grains scatter no less than chance: that is what the trial had to see through.
    dispersion = max(1.0, comparison.dispersion or 1.0) if comparison.route == "colours" else None
    if se is not None:
        # What could have been seen must not hang on what was: the standard error moves with the ratio.
        se = standard_error_if_alike(se, entry.ratio, share)
        if dispersion is not None:
            se *= math.sqrt(dispersion / comparison.dispersion)
    elif comparison.sd_log and comparison.control_runs:
        se = comparison.sd_log * math.sqrt(1 / max(1, entry.runs) + 1 / comparison.control_runs)
    have = _have(comparison, entry)
    if se is None or not df:
        more = max(1, FEWEST_RUNS - have)
        remedy = (
            phrase("of larger portions")
            if comparison.route == "colours"
            else phrase("on a finer scale or counted by colours")
        )
        return _Reach(
            None,
            more,
            phrase(
                "The runs show no spread to reckon with, so it cannot be said what ratio the trial could have seen; "
                "{more} {remedy} would tell how many it takes to see {wanted} times.",
                more=_more(more, comparison),
                remedy=remedy,
                wanted=_stated(smallest_ratio),
            ),
        )
    critical = comparison.critical_t or critical_t_balanced(together, df, comparison.confidence)
    least = least_spread_of_counts(critical, together, dispersion, comparison.confidence)
    seen = detectable_ratio_for(se, critical, df, POWER, share, least)
    if comparison.in_one_order:
        spread = se / math.sqrt(1 / max(1, entry.runs) + 1 / comparison.control_runs)
        more = _more_runs(spread, smallest_ratio, together + 1, have, seen, dispersion)
    else:
        spread = se * math.sqrt(have / 2)
        more = _more_blocks(spread, smallest_ratio, together + 1, have, level, seen, share, dispersion)
    return _worded_reach(seen, more, smallest_ratio, comparison)


def _reach_by_places(comparison, entry, smallest_ratio, together, level) -> _Reach:
    one_order, have = comparison.in_one_order, _have(comparison, entry)
    least = (fewest_in_one_order if one_order else fewest_blocks)(together, level)
    if have < least:
        more = least - have
        where = phrase("before every run of the control") if one_order else phrase("in every block")
        sentence = phrase(
            "With {rows} not even a treatment that came first {where} could have been shown; that takes {more} at the "
            "least. A finer scale, larger portions or colours would tell more.",
            rows=_rows(have, comparison),
            where=where,
            more=_more(more, comparison),
        )
        return _Reach(None, more, sentence)
    if comparison.sd_log is None:
        wanted = _stated(smallest_ratio)
        sentence = (
            phrase(
                "By places the trial could have seen a treatment that beats every run of the control; too few runs could be "
                "weighed to say what ratio that is, or how many runs would see {wanted} times. A finer scale, larger "
                "portions or colours would tell.",
                wanted=wanted,
            )
            if one_order
            else phrase(
                "By places the trial could have seen a treatment that beats the control in nearly every block; too few runs "
                "could be weighed to say what ratio that is, or how many blocks would see {wanted} times. A finer scale, "
                "larger portions or colours would tell.",
                wanted=wanted,
            )
        )
        return _Reach(None, None, sentence)
    if one_order:
        seen = sight(Spread(comparison.sd_log), Plan(together + 1, have, in_blocks=False)).gain
        more = _more_runs(comparison.sd_log, smallest_ratio, together + 1, have, seen)
    else:
        df = max(1, together * (have - 1))
        critical = critical_t_balanced(together, df, comparison.confidence)
        seen = detectable_ratio_for(comparison.sd_log * math.sqrt(2 / have), critical, df, POWER)
        more = _more_blocks(comparison.sd_log, smallest_ratio, together + 1, have, level, seen)
    found = _worded_reach(seen, more, smallest_ratio, comparison)
    return _Reach(
        seen,
        more,
        phrase("{reach} That is at best: it rests on the runs that could be weighed.", reach=found.sentence),
    )


def _have(comparison: ControlComparison, entry: TreatmentComparison) -> int:
    """What more of is reckoned from: blocks, or runs of the treatment and of the control where there are no blocks."""
    return min(entry.runs, comparison.control_runs) if comparison.in_one_order else comparison.blocks


def _more_runs(spread, smallest_ratio, treatments, runs, seen, dispersion=None) -> int | None:
    grains = None if dispersion is None else dispersion / spread**2
    needed = rows_needed(
        Spread(spread, grains=grains), Plan(treatments, max(2, runs), in_blocks=False), smallest_ratio
    )
    return None if needed is None else max(needed - runs, 1 if seen > smallest_ratio else 0)


def _more_blocks(
    spread, smallest_ratio, treatments, blocks, level, seen, chance_share=0.0, dispersion=None
) -> int | None:
    needed = blocks_needed(spread, smallest_ratio, treatments, POWER, level, chance_share, dispersion)
    if needed is None:
        return None
    # Runs that failed cost some sight; where the ratio is still out of reach at least one block is missing.
    return max(needed - blocks, 1 if seen > smallest_ratio else 0)


def _worded_reach(
    seen: float, more: int | None, smallest_ratio: float, comparison: ControlComparison
) -> _Reach:
    wanted = _stated(smallest_ratio)
    if seen > LARGEST_RATIO:
        could = phrase("This trial could have seen nothing short of a hundredfold gain")
    else:
        could = phrase(
            "This trial could have seen {ratio} times as much or more, 8 times in 10", ratio=rounded_up(seen)
        )
    if more is None:
        said = phrase(
            "{could}; more than {most} would be needed to see {wanted} times: lessen the spread first.",
            could=could,
            most=_rows(MOST_BLOCKS, comparison),
            wanted=wanted,
        )
    elif more == 0 and comparison.in_one_order:
        said = phrase(
            "{could}, so {wanted} times was within its sight, and more runs would narrow the interval.",
            could=could,
            wanted=wanted,
        )
    elif more == 0:
        said = phrase(
            "{could}, so {wanted} times was within its sight, and more blocks would narrow the interval.",
            could=could,
            wanted=wanted,
        )
    else:
        said = phrase(
            "{could}; about {more} would see {wanted} times.",
            could=could,
            more=_more(more, comparison),
            wanted=wanted,
        )
    return _Reach(seen if math.isfinite(seen) else None, more, said)


def _interval(comparison: ControlComparison, entry: TreatmentComparison) -> str:
    level = phrase(
        "{level} % interval, all treatments judged together", level=numeral(100 * comparison.confidence, "g")
    )
    much = phrase("as much") if comparison.route == "mass" else phrase("as many colours")
    if entry.ratio is None:
        return phrase(
            "The control shows no colour; at least {ratio} times {much} ({level}).",
            ratio=written(entry.lower),
            much=much,
            level=level,
        )
    if entry.ratio == 0:
        return phrase_counted(
            "No colour in {number} runs; at most {ratio} times {much} ({level}).",
            "No colour in {number} runs; at most {ratio} times {much} ({level}).",
            entry.runs,
            ratio=written(entry.upper),
            much=much,
            level=level,
        )
    limits = between(entry.lower, entry.upper, written)
    if written(entry.ratio) == "1":
        return phrase("About {much} ({limits}, {level}).", much=much, limits=limits, level=level)
    return phrase(
        "About {ratio} times {much} ({limits}, {level}).",
        ratio=written(entry.ratio),
        much=much,
        limits=limits,
        level=level,
    )


def not_shown(what: str) -> str:
    """Return the headline where nothing is shown."""
    return phrase("{what}: not shown.", what=what)


def shows(colours: bool, treatment: str, control: str, better: bool) -> str:
    """Return what is shown of a treatment by gold, or by colours, as a sentence without its point.

    >>> shows(False, "rinse", "water", better=True)
    'rinse recovers more than water'
    """
    if colours:
        return (
            phrase("{treatment} shows more colours than {control}", treatment=treatment, control=control)
            if better
            else phrase(
                "{treatment} shows fewer colours than {control}", treatment=treatment, control=control
            )
        )
    return (
        phrase("{treatment} recovers more than {control}", treatment=treatment, control=control)
        if better
        else phrase("{treatment} recovers less than {control}", treatment=treatment, control=control)
    )


def _rows(number: int, comparison: ControlComparison) -> str:
    """So many blocks; so many runs of each treatment where all runs are in one order."""
    return rows_counted(number, "", comparison.in_one_order)


def _more(number: int, comparison: ControlComparison) -> str:
    return rows_counted(number, " more", comparison.in_one_order)


def rows_counted(number: int, more: str, in_one_order: bool) -> str:
    """Write so many (" more") blocks, or runs of each treatment where there are no blocks.

    >>> rows_counted(2, " more", False), rows_counted(1, "", True)
    ('2 more blocks', '1 run of each treatment')
    """
    if in_one_order:
        return (
            phrase_counted(
                "{number} more run of each treatment", "{number} more runs of each treatment", number
            )
            if more
            else phrase_counted("{number} run of each treatment", "{number} runs of each treatment", number)
        )
    return (
        phrase_counted("{number} more block", "{number} more blocks", number)
        if more
        else phrase_counted("{number} block", "{number} blocks", number)
    )


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
