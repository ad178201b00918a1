"""How far two results of the same thing lie apart at each grade, and where that is as large as the grade itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from prospecting.calc import units
from prospecting.calc.number_words import numeral
from prospecting.calc.quality_control import (
    FEWEST_FOR_LINE,
    SD_PER_MEDIAN_DIFFERENCE,
    PrecisionLine,
    thompson_howarth,
)
from prospecting.calc.working import Working, WorkingRow, given
from prospecting.frames.checks import Say
from prospecting.frames.laboratories import StageHistory
from prospecting.models import Sample
from prospecting.models.check_evidence import CheckRow

SOURCE = "M. Thompson and R. J. Howarth, The Analyst 101 (1976) 690"
RICH_END = (
    "Least squares count a gram at the rich end as much as one at the poor end, so where grades differ many times over the rich "
    "groups hold the line and little is known of its poor end."
)
COARSE_GOLD = (
    "The factor from median to standard deviation holds where errors are about normal. With coarse gold they are not, and the "
    "line may then be far off (C. R. Stanley and D. Lawie, Geochemistry: Exploration, Environment, Analysis 8 (2008) 173)."
)


@dataclass(frozen=True)
class DuplicatePair:
    """Two results of one thing in g/t, and what they say in the reader's unit."""

    first: Sample
    second: Sample
    mean: float
    difference: float
    mean_words: str
    difference_words: str


@dataclass(frozen=True)
class PairGroup:
    """Some pairs of about one grade, in g/t; `median` is that of their differences. The rest is in words."""

    mean: float
    median: float
    mean_words: str
    median_words: str
    sd_words: str
    share_words: str


@dataclass(frozen=True)
class StagePrecision:
    """The precision of the duplicates of one stage against the grade; without enough pairs only `missing`."""

    stage: str
    name: str
    missing: str = ""
    sentence: str = ""
    limit_words: str = ""
    pairs: Sequence[DuplicatePair] = ()
    groups: Sequence[PairGroup] = ()
    line: PrecisionLine | None = None
    working: Working | None = None


def precision_by_grade(stages: Sequence[StageHistory], *, grade_unit: str) -> list[StagePrecision]:
    """For each stage of which any pair came: the line its duplicates draw, or what is missing for one."""
    say = partial(units.format_grade, unit=grade_unit)
    return [_of_stage(stage, say) for stage in stages if stage.rows]


def _of_stage(stage: StageHistory, say: Say) -> StagePrecision:
    number = len(stage.rows)
    if number < FEWEST_FOR_LINE:
        many = "1 pair with two figures is" if number == 1 else f"{number} pairs with two figures are"
        return StagePrecision(
            stage.stage, stage.name, missing=f"{many} there; the line is drawn from {FEWEST_FOR_LINE} on."
        )
    pairs = sorted((_pair(row, say) for row in stage.rows), key=lambda pair: (pair.mean, pair.difference))
    try:
        line = thompson_howarth(
            [float(row.pair.first.grade) for row in stage.rows],
            [float(row.pair.second.grade) for row in stage.rows],
        )
    except ValueError as error:
        return StagePrecision(stage.stage, stage.name, missing=f"{number} pairs are there. {error}")
    return StagePrecision(
        stage=stage.stage,
        name=stage.name,
        sentence=_sentence(line, say),
        limit_words=_limit_words(line, stage.printed_limits, say),
        pairs=pairs,
        groups=[
            _group(line, *each, say)
            for each in zip(line.group_mean, line.group_median_difference, strict=True)
        ],
        line=line,
        working=_working(line, number, say),
    )


def _pair(row: CheckRow, say: Say) -> DuplicatePair:
    mean, difference = row.pair.mean, row.pair.difference
    return DuplicatePair(
        first=row.sample.duplicate_of,
        second=row.sample,
        mean=mean,
        difference=difference,
        mean_words=say(mean),
        difference_words=say(difference) if difference else "none",
    )


def _group(line: PrecisionLine, mean: float, median: float, say: Say) -> PairGroup:
    try:
        sd, share = line.sd_at(mean), line.precision_at(mean)
    except ValueError:
        sd = None
    return PairGroup(
        mean=mean,
        median=median,
        mean_words=say(mean),
        median_words=say(median) if median else "none",
        sd_words="the line is below nothing here" if sd is None else say(sd),
        share_words="" if sd is None else units.format_share(share),
    )


def _sentence(line: PrecisionLine, say: Say) -> str:
    low, high = line.group_mean[0], line.group_mean[-1]
    told = f"from {say(low)} to {say(high)}, where the pairs lie"
    if line.slope <= 0:
        return f"No growth with the grade is seen {told}: the differences are no larger in rich samples than in poor ones."
    try:
        ends = f"about {say(line.sd_at(low))} at {say(low)} and {say(line.sd_at(high))} at {say(high)}"
    except ValueError:
        return (
            f"One result has a standard deviation of about {say(line.sd_at(high))} at {say(high)}; toward the poorest pairs the "
            "line passes below nothing and says nothing there."
        )
    return f"One result has a standard deviation of {ends}; the pairs say nothing of grades beyond these."


def _limit_words(line: PrecisionLine, printed: Sequence[float], say: Say) -> str:
    limit = line.detection_limit
    if limit is None:
        why = (
            "the line passes through nothing, or below, where there is no gold"
            if line.sd_intercept <= 0
            else "two standard deviations exceed the grade itself at any grade"
        )
        return (
            f"They tell no detection limit: {why}. The poorest group, around {say(line.group_mean[0])}, has a standard deviation "
            f"of about {say(line.group_sd[0])} by itself; two of these are {units.format_share(line.group_precision[0])} of its "
            "grade."
        )
    said = f"Estimate of the detection limit: {say(limit)}, where two standard deviations are as large as the grade itself."
    if limit < line.group_mean[0]:
        said += " No group of pairs lies that low, so the line is drawn out to there."
    if printed:
        several = f"{say(printed[0])} to {say(printed[-1])}" if len(printed) > 1 else say(printed[0])
        said += f" The certificates print {several}."
    return said


def _working(line: PrecisionLine, number: int, say: Say) -> Working:
    left_out = f"{line.left_out} of the richest pairs fill no group of 11 and are left out of the line."
    pairs_used = "Pairs of which one side is only a bound are left out: how far they lie apart is not known."
    limit = line.detection_limit
    return Working(
        (
            WorkingRow(
                label="Line through the groups",
                formula="pairs sorted by their mean, in groups of 11; least squares of median |a - b| on mean",
                inputs=(
                    given("pairs", number),
                    given("groups", len(line.group_mean)),
                    given("at no gold", say(line.intercept)),
                    given("slope", numeral(line.slope, ".3g")),
                ),
                source=SOURCE,
            ),
            WorkingRow(
                label="Standard deviation of one result",
                formula=f"{numeral(SD_PER_MEDIAN_DIFFERENCE, '.4f')} x median |a - b|, so s = s0 + k x grade",
                inputs=(given("s0", say(line.sd_intercept)), given("k", numeral(line.sd_slope, ".3g"))),
                source=SOURCE,
            ),
            WorkingRow(
                label="Detection limit",
                formula="2 x s0 / (1 - 2 x k), the grade at which 2 s is as large as the grade",
                inputs=(given("s0", say(line.sd_intercept)), given("k", numeral(line.sd_slope, ".3g"))),
                value="none" if limit is None else say(limit),
                source=f"{SOURCE} (this formula from memory)",
            ),
        ),
        assumptions=(COARSE_GOLD, RICH_END, pairs_used, *([left_out] if line.left_out else ())),
    )
