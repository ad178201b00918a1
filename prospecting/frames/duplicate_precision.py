"""How far two results of the same thing lie apart at each grade, and where that is as large as the grade itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
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
RICH_END = gettext_lazy(
    "Least squares count a gram at the rich end as much as one at the poor end, so where grades differ many times over the rich "
    "groups hold the line and little is known of its poor end."
)
COARSE_GOLD = gettext_lazy(
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
        missing = phrase_counted(
            "{number} pair with two figures is there; the line is drawn from {fewest} on.",
            "{number} pairs with two figures are there; the line is drawn from {fewest} on.",
            number,
            fewest=FEWEST_FOR_LINE,
        )
        return StagePrecision(stage.stage, stage.name, missing=missing)
    pairs = sorted((_pair(row, say) for row in stage.rows), key=lambda pair: (pair.mean, pair.difference))
    try:
        line = thompson_howarth(
            [float(row.pair.first.grade) for row in stage.rows],
            [float(row.pair.second.grade) for row in stage.rows],
        )
    except ValueError as error:
        missing = phrase("{number} pairs are there. {reason}", number=number, reason=error)
        return StagePrecision(stage.stage, stage.name, missing=missing)
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
        difference_words=say(difference) if difference else phrase("none"),
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
        median_words=say(median) if median else phrase("none"),
        sd_words=phrase("the line is below nothing here") if sd is None else say(sd),
        share_words="" if sd is None else units.format_share(share),
    )


def _sentence(line: PrecisionLine, say: Say) -> str:
    low, high = line.group_mean[0], line.group_mean[-1]
    if line.slope <= 0:
        return phrase(
            "No growth with the grade is seen from {low} to {high}, where the pairs lie: the differences are no larger in rich "
            "samples than in poor ones.",
            low=say(low),
            high=say(high),
        )
    try:
        sd_low = line.sd_at(low)
    except ValueError:
        return phrase(
            "One result has a standard deviation of about {sd} at {high}; toward the poorest pairs the line passes below "
            "nothing and says nothing there.",
            sd=say(line.sd_at(high)),
            high=say(high),
        )
    return phrase(
        "One result has a standard deviation of about {sd_low} at {low} and {sd_high} at {high}; the pairs say nothing of "
        "grades beyond these.",
        sd_low=say(sd_low),
        low=say(low),
        sd_high=say(line.sd_at(high)),
        high=say(high),
    )


def _limit_words(line: PrecisionLine, printed: Sequence[float], say: Say) -> str:
    limit = line.detection_limit
    if limit is None:
        why = (
            phrase("the line passes through nothing, or below, where there is no gold")
            if line.sd_intercept <= 0
            else phrase("two standard deviations exceed the grade itself at any grade")
        )
        return phrase(
            "They tell no detection limit: {why}. The poorest group, around {grade}, has a standard deviation of about {sd} by "
            "itself; two of these are {share} of its grade.",
            why=why,
            grade=say(line.group_mean[0]),
            sd=say(line.group_sd[0]),
            share=units.format_share(line.group_precision[0]),
        )
    said = [
        phrase(
            "Estimate of the detection limit: {limit}, where two standard deviations are as large as the grade itself.",
            limit=say(limit),
        )
    ]
    if limit < line.group_mean[0]:
        said.append(phrase("No group of pairs lies that low, so the line is drawn out to there."))
    if len(printed) > 1:
        said.append(
            phrase("The certificates print {low} to {high}.", low=say(printed[0]), high=say(printed[-1]))
        )
    elif printed:
        said.append(phrase("The certificates print {limit}.", limit=say(printed[0])))
    return " ".join(said)


def _working(line: PrecisionLine, number: int, say: Say) -> Working:
    left_out = phrase(
        "{number} of the richest pairs fill no group of 11 and are left out of the line.",
        number=line.left_out,
    )
    pairs_used = phrase(
        "Pairs of which one side is only a bound are left out: how far they lie apart is not known."
    )
    limit = line.detection_limit
    return Working(
        (
            WorkingRow(
                label=phrase("Line through the groups"),
                formula=phrase(
                    "pairs sorted by their mean, in groups of 11; least squares of median |a - b| on mean"
                ),
                inputs=(
                    given(phrase("pairs"), number),
                    given(phrase("groups"), len(line.group_mean)),
                    given(phrase("at no gold"), say(line.intercept)),
                    given(phrase("slope"), numeral(line.slope, ".3g")),
                ),
                source=SOURCE,
            ),
            WorkingRow(
                label=phrase("Standard deviation of one result"),
                formula=phrase(
                    "{factor} x median |a - b|, so s = s0 + k x grade",
                    factor=numeral(SD_PER_MEDIAN_DIFFERENCE, ".4f"),
                ),
                inputs=(given("s0", say(line.sd_intercept)), given("k", numeral(line.sd_slope, ".3g"))),
                source=SOURCE,
            ),
            WorkingRow(
                label=phrase("Detection limit"),
                formula=phrase("2 x s0 / (1 - 2 x k), the grade at which 2 s is as large as the grade"),
                inputs=(given("s0", say(line.sd_intercept)), given("k", numeral(line.sd_slope, ".3g"))),
                value=phrase("none") if limit is None else say(limit),
                source=phrase("{source} (this formula from memory)", source=SOURCE),
            ),
        ),
        assumptions=(COARSE_GOLD, RICH_END, pairs_used, *([left_out] if line.left_out else ())),
    )
