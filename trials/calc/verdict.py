"""What the group may conclude about one treatment, in words: better, worse, equivalent within the margin, or not shown."""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Literal

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
    sentence = (
        f"Without a spread between equal runs it cannot be said what ratio this trial could have seen; "
        f"{rows_counted(more, ' more', in_one_order)} would show the spread, and then how many it takes to see "
        f"{_stated(smallest_ratio)} times."
    )
    return Verdict(
        "not shown", f"{treatment}: not shown.", f"{_sentence(reason)} {sentence}", more_blocks=more
    )


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
    more, less = _verbs(comparison)
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
        kind, verb = ("better", more) if shown.shown_better else ("worse", less)
        tail = ", but by less than the group said matters." if shown.shown_equivalent else "."
        return Verdict(kind, f"{name} {verb} {control}{tail}", interval, **numbers)
    if shown.shown_equivalent:
        explanation = (
            f"Between {written(narrow)} and {written(wide)} times as much (90 % interval, adjusted for judging all treatments "
            f"together); the group said that less than {_stated(smallest_ratio)} times either way does not matter."
        )
        return Verdict(
            "equivalent",
            f"{name} does as well as {control}, within the stated margin.",
            explanation,
            **numbers,
        )
    return Verdict("not shown", f"{name}: not shown.", f"{interval} {reach.sentence}", **numbers)


def _by_places(comparison, entry, name, control, reach) -> Verdict:
    level = 1 - comparison.confidence
    within = "in the one order of all runs" if comparison.in_one_order else "within blocks"
    how = (
        f"judged by places {within} at the {numeral(100 * level, 'g')} % level, all treatments together; "
        f"{comparison.runs_below_scale} of {comparison.runs_used} runs came out below the scale, so no ratio is given."
    )
    numbers = {"detectable_ratio": reach.ratio, "more_blocks": reach.more_blocks}
    if entry.p_adjusted < level and entry.blocks_higher != entry.blocks_lower:
        more, less = _verbs(comparison)
        better = entry.blocks_higher > entry.blocks_lower
        kind, verb = ("better", more) if better else ("worse", less)
        place = f"{'Higher' if better else 'Lower'} {_won(comparison, entry, better)}"
        return Verdict(kind, f"{name} {verb} {control}.", f"{place}; {how}", **numbers)
    if comparison.in_one_order:
        explanation = f"{how[0].upper()}{how[1:]} {reach.sentence}"
    else:
        explanation = f"Higher than {control} {_won(comparison, entry, True)}; {how} {reach.sentence}"
    return Verdict("not shown", f"{name}: not shown.", explanation, **numbers)


def _won(comparison: ControlComparison, entry: TreatmentComparison, higher: bool) -> str:
    if comparison.in_one_order:
        return "on the whole"
    return f"in {entry.blocks_higher if higher else entry.blocks_lower} of {entry.blocks_compared} blocks"


def _not_shown(name: str, reason: str, reach: _Reach, entry: TreatmentComparison) -> Verdict:
    return Verdict(
        "not shown",
        f"{name}: not shown.",
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
        return f"{comparison.df} degree of freedom is left for the error: that cannot tell chance from an effect."
    counted = "One run per treatment" if runs == 1 else "Two runs per treatment"
    return f"{counted} cannot tell chance from an effect ({short} has {runs} that count)."


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
            "of larger portions"
            if comparison.route == "colours"
            else "on a finer scale or counted by colours"
        )
        return _Reach(
            None,
            more,
            f"The runs show no spread to reckon with, so it cannot be said what ratio the trial could have seen; "
            f"{_more(more, comparison)} {remedy} would tell how many it takes to see {_stated(smallest_ratio)} times.",
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
        where = "before every run of the control" if one_order else "in every block"
        sentence = (
            f"With {_rows(have, comparison)} not even a treatment that came first {where} could have been shown; "
            f"that takes {_more(more, comparison)} at the least. A finer scale, larger portions or colours would tell more."
        )
        return _Reach(None, more, sentence)
    if comparison.sd_log is None:
        where = "every run of the control" if one_order else "the control in nearly every block"
        sentence = (
            f"By places the trial could have seen a treatment that beats {where}; too few runs could "
            f"be weighed to say what ratio that is, or how many {'runs' if one_order else 'blocks'} would see "
            f"{_stated(smallest_ratio)} times. A finer scale, larger portions or colours would tell."
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
        seen, more, f"{found.sentence} That is at best: it rests on the runs that could be weighed."
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
        could = "This trial could have seen nothing short of a hundredfold gain"
    else:
        could = f"This trial could have seen {rounded_up(seen)} times as much or more, 8 times in 10"
    if more is None:
        tail = f"more than {_rows(MOST_BLOCKS, comparison)} would be needed to see {wanted} times: lessen the spread first."
    elif more == 0:
        rows = "runs" if comparison.in_one_order else "blocks"
        tail = f"so {wanted} times was within its sight, and more {rows} would narrow the interval."
    else:
        tail = f"about {_more(more, comparison)} would see {wanted} times."
    return _Reach(seen if math.isfinite(seen) else None, more, f"{could}{', ' if more == 0 else '; '}{tail}")


def _interval(comparison: ControlComparison, entry: TreatmentComparison) -> str:
    level = f"{numeral(100 * comparison.confidence, 'g')} % interval, all treatments judged together"
    much = "as much" if comparison.route == "mass" else "as many colours"
    if entry.ratio is None:
        return f"The control shows no colour; at least {written(entry.lower)} times {much} ({level})."
    if entry.ratio == 0:
        return f"No colour in {entry.runs} runs; at most {written(entry.upper)} times {much} ({level})."
    about = "About" if written(entry.ratio) == "1" else f"About {written(entry.ratio)} times"
    return f"{about} {much} ({between(entry.lower, entry.upper, written)}, {level})."


def _verbs(comparison: ControlComparison) -> tuple[str, str]:
    if comparison.route == "colours":
        return "shows more colours than", "shows fewer colours than"
    return "recovers more than", "recovers less than"


def _rows(number: int, comparison: ControlComparison) -> str:
    """So many blocks; so many runs of each treatment where all runs are in one order."""
    return rows_counted(number, "", comparison.in_one_order)


def _more(number: int, comparison: ControlComparison) -> str:
    return rows_counted(number, " more", comparison.in_one_order)


def rows_counted(number: int, between: str, in_one_order: bool) -> str:
    """Write so many (" more") blocks, or runs of each treatment where there are no blocks.

    >>> rows_counted(2, " more", False), rows_counted(1, "", True)
    ('2 more blocks', '1 run of each treatment')
    """
    what, end = ("run", " of each treatment") if in_one_order else ("block", "")
    return f"{number}{between} {what}{'' if number == 1 else 's'}{end}"


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
