"""Ratios between combinations of factors: one factor's effect, how two act on each other, panner against panner.

One model of the runs stands behind all of them, the same as behind a trial's verdict: ln(expected gold) = combination + block.
"""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from prospecting.calc.language import phrase, phrase_counted
from trials.calc.combination import Excess, excess
from trials.calc.comparison import BELOW_SCALE, EXACT_FIT, MOST_BELOW, NO_SPREAD
from trials.calc.counts import fit_counts, fit_masses, least_dispersion
from trials.calc.least_squares import Fit, fit
from trials.calc.levels import check_level
from trials.calc.power import MOST_BLOCKS, detectable_ratio_for, power_at, standard_error_if_alike
from trials.calc.simultaneous import critical_t, t_quantile
from trials.calc.verdict import FEWEST_DF, FEWEST_RUNS, POWER

# "mass" and "colours" as a verdict reckons them; "rate" is gold or colours per hour, where nothing at all may come out;
# "logs" takes the logarithm of every single run.
MASS, COLOURS, RATE, LOGS = "mass", "colours", "rate", "logs"
ROUTES = (MASS, COLOURS, RATE, LOGS)
# More ratios than this are judged together by sharing out the error (Bonferroni) instead of by their correlations.
MOST_CORRELATED = 20
# A share of the gold lost that is nothing but the last digits of a fit.
NO_LOSS = 1e-9

Cell = Hashable


@dataclass(frozen=True)
class Runs:
    """The runs that count: value, combination, block of each, and what else is to be taken out of it (a treatment, say).

    BELOW_SCALE stands for a mass from 0 to `scale_step_mg`. Made by `read_runs`.
    """

    route: str
    values: tuple[float, ...]
    cells: tuple[Cell, ...]
    blocks: tuple[Hashable, ...]
    others: tuple[tuple[Hashable, ...], ...] = ()
    scale_step_mg: float | None = None

    @property
    def below(self) -> int:
        return self.values.count(BELOW_SCALE)

    def runs_of(self, cells: Sequence[Cell]) -> int:
        return sum(1 for cell in self.cells if cell in cells)


@dataclass(frozen=True)
class Question:
    """A ratio asked of the combinations: exp of the weighted sum of their ln(expected gold); the weights sum to 0.

    `groups` are the sets of combinations whose runs together stand on one side of it; `of_two` is False for a ratio of
    ratios.
    """

    name: Hashable
    weights: Mapping[Cell, float]
    groups: tuple[tuple[Cell, ...], ...]
    of_two: bool = True


@dataclass(frozen=True)
class Answer:
    """What the runs say to a question. What they cannot tell is None, and `note` says why.

    `lower` and `upper` hold for all questions together. `equivalence_*` is the interval of two one-sided 5 % tests, shared
    out over the questions. `detectable_ratio` is what could have been seen 8 times in 10, `more_rows` how many more blocks
    (runs of each combination, without blocks) would see `smallest_ratio`: None past MOST_BLOCKS, or where not asked.
    """

    question: Question
    ratio: float | None = None
    lower: float | None = None
    upper: float | None = None
    equivalence_lower: float | None = None
    equivalence_upper: float | None = None
    se_log: float | None = None
    detectable_ratio: float | None = None
    more_rows: int | None = None
    note: str = ""

    @property
    def name(self) -> Hashable:
        return self.question.name

    @property
    def shown(self) -> bool:
        return self.lower is not None and (self.lower > 1 or self.upper < 1)

    def kind(self, smallest_ratio: float) -> str:
        """ "more", "less", "within" the margin of the smallest ratio that matters, or "open"."""
        if self.lower is None:
            return "open"
        if self.shown:
            return "more" if self.lower > 1 else "less"
        return "within" if self.is_within(smallest_ratio) else "open"

    def is_within(self, smallest_ratio: float) -> bool:
        if self.equivalence_lower is None:
            return False
        return 1 / smallest_ratio < self.equivalence_lower and self.equivalence_upper < smallest_ratio

    def is_large(self, smallest_ratio: float) -> bool:
        """Whether the ratio, shown or not, is one that matters."""
        return self.ratio is not None and not 1 / smallest_ratio < self.ratio < smallest_ratio


@dataclass(frozen=True)
class Answers:
    """Answers judged together, and what they rest on.

    `critical_t` standard errors each way reach the joint intervals; `shared_out` tells that the error was shared out over
    the questions (Bonferroni). `sd` is the spread of equal runs of the reference within blocks, as a share of its mean.
    """

    answers: tuple[Answer, ...]
    df: int
    dispersion: float
    sd: float | None
    confidence: float
    critical_t: float | None
    critical_chance: float | None
    equivalence_t: float | None
    shared_out: bool
    runs_used: int
    runs_below: int

    @property
    def judged_together(self) -> int:
        return sum(1 for answer in self.answers if answer.se_log is not None)

    def of(self, name: Hashable) -> Answer:
        """The answer to the question of this name; ValueError where none was asked."""
        for answer in self.answers:
            if answer.name == name:
                return answer
        raise ValueError(f"{name} was not asked.")


@dataclass(frozen=True)
class CellMean:
    """Expected gold of a run of one combination, blocks taken out, with the interval of this mean alone."""

    runs: int
    mean: float | None = None
    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True)
class BetterSingle:
    """A combination against the better of its single parts, whichever of them is the better one.

    `ratio` is against the part that did better in these runs; both intervals hold whichever is better in truth.
    """

    better: Cell
    ratio: float
    lower: float
    upper: float
    equivalence_lower: float
    equivalence_upper: float

    def kind(self, smallest_ratio: float) -> str:
        if self.lower > 1:
            return "more"
        if self.upper < 1:
            return "less"
        inside = 1 / smallest_ratio < self.equivalence_lower and self.equivalence_upper < smallest_ratio
        return "within" if inside else "open"


@dataclass(frozen=True)
class LossExcess:
    """What two additives saved together of the gold otherwise lost, beyond two yardsticks; fractions, with intervals.

    `excess` holds the plain figures; the intervals count in the uncertainty of the loss without either.
    """

    lost_fraction: dict[str, float]
    excess: Excess
    bliss_lower: float
    bliss_upper: float
    highest_lower: float
    highest_upper: float
    df: int
    runs: int


@dataclass(frozen=True)
class _Model:
    """One fit. `sd` times the root of a variance factor is a standard error of ln; `chance_sd` the same by chance alone."""

    fit: Fit
    df: int
    sd: float
    chance_sd: float
    dispersion: float
    is_log: bool

    def row(self, weights: Mapping[Cell, float]) -> np.ndarray | None:
        """The weights as a combination of coefficients; None where a combination of factors has no run that tells."""
        if any(cell not in self.fit.treatments for cell in weights):
            return None
        row = np.zeros(self.fit.design.shape[1])
        for cell, weight in weights.items():
            row[self.fit.treatments.index(cell)] = weight
        return row if self.fit.estimable(row) else None

    def mean(self, cell: Cell) -> float | None:
        """Expected value of a run of one combination, averaged over everything else; for logs the geometric mean."""
        if cell not in self.fit.treatments or not self.fit.estimable(self.fit.mean_of(cell)):
            return None
        start = len(self.fit.treatments)
        level = float(self.fit.coefficients[self.fit.treatments.index(cell)]) + self.fit.centre
        if self.is_log:
            return math.exp(self.fit.value_of(self.fit.mean_of(cell)))
        for levels in self.fit.levels[1:]:
            parts = self.fit.coefficients[start : start + len(levels)]
            level += float(np.log(np.mean(np.exp(parts))))
            start += len(levels)
        return math.exp(level)


@dataclass
class CellModel:
    """The runs with the model fitted to them, as often as the runs below the scale ask for.

    Raises ValueError where nothing can be fitted (`read_runs` has checked the runs themselves).
    """

    runs: Runs
    _fits: dict = field(default_factory=dict, init=False)

    @property
    def middle(self) -> _Model:
        return self._fitted(0.5, 0.5, frozenset())

    def means(self, confidence: float = 0.95) -> dict[Cell, CellMean]:
        """Expected gold of every combination with a plain interval; no figure where the runs tell none.

        Runs below the scale are taken as half a step.
        """
        check_level("confidence", confidence)
        return {cell: self.group_mean([cell], confidence) for cell in dict.fromkeys(self.runs.cells)}

    def group_mean(self, cells: Sequence[Cell], confidence: float = 0.95) -> CellMean:
        """Middle of the expected gold of several combinations (of the logarithms), with the plain interval of it.

        No figure where one of them has none.
        """
        model, runs = self.middle, self.runs.runs_of(cells)
        means = [model.mean(cell) for cell in cells]
        if None in means:
            return CellMean(runs)
        middle = math.exp(math.fsum(map(math.log, means)) / len(means))
        if not model.sd > NO_SPREAD:
            return CellMean(runs, middle)
        row = sum(model.fit.mean_of(cell) for cell in cells) / len(cells)
        half = (
            t_quantile((1 + confidence) / 2, model.df) * model.sd * math.sqrt(model.fit.variance_factor(row))
        )
        return CellMean(runs, middle, middle * _exp(-half), middle * _exp(half))

    def estimate(self, question: Question) -> tuple[float, float, float, float, float] | None:
        """ln ratio, its least and greatest whatever the runs below the scale weighed, standard error, the same by chance.

        None where the runs do not tell the ratio.
        """
        models = [self.middle]
        if self.runs.below:
            more = frozenset(cell for cell, weight in question.weights.items() if weight > 0)
            models += [self._fitted(*ends, more) for ends in ((0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0))]
        logs, errors, chance = [], [], []
        for model in models:
            row = model.row(question.weights)
            if row is None:
                return None
            root = math.sqrt(model.fit.variance_factor(row))
            logs.append(model.fit.value_of(row))
            errors.append(model.sd * root)
            chance.append(model.chance_sd * root)
        return logs[0], min(logs), max(logs), max(errors), max(chance)

    def variance_if_alike(self, question: Question) -> float:
        """Variance of the ln ratio, in units of that of one run, were all combinations alike."""
        plan = self.middle.fit
        return plan.with_values(plan.values, np.ones(len(plan.values))).variance_factor(
            self.middle.row(question.weights)
        )

    def relative_sd(self, reference: Cell) -> float | None:
        """Spread of equal runs of the reference within blocks, as a share of its mean; colours not under chance alone."""
        model = self.middle
        if model.is_log:
            return model.sd if model.sd > NO_SPREAD else None
        mean = model.mean(reference) or self._plain_mean(reference)
        if not mean or not model.sd > NO_SPREAD:
            return None
        dispersion = max(1.0, model.dispersion) if self.runs.route == COLOURS else model.dispersion
        return math.sqrt(dispersion / mean)

    def _plain_mean(self, cell: Cell) -> float | None:
        """Mean of a combination's runs as they were, where they do not reach over all blocks."""
        values = [
            max(value, 0.0)
            for value, each in zip(self.runs.values, self.runs.cells, strict=True)
            if each == cell
        ]
        return shared_mean(values)

    def _fitted(self, share_of_more: float, share_of_others: float, more: frozenset[Cell]) -> _Model:
        """The fit with the runs below the scale at these shares of a step, the combinations in `more` at the first one."""
        key = share_of_more, share_of_others, more if share_of_more != share_of_others else frozenset()
        if key not in self._fits:
            step = self.runs.scale_step_mg or 0.0
            values = [
                step * (share_of_more if cell in more else share_of_others) if value == BELOW_SCALE else value
                for value, cell in zip(self.runs.values, self.runs.cells, strict=True)
            ]
            self._fits[key] = _fit_route(self.runs, values)
        return self._fits[key]


def read_runs(
    values: Sequence[float | None],
    cells: Sequence[Cell],
    blocks: Sequence[Hashable],
    *others: Sequence[Hashable],
    route: str,
    scale_step_mg: float | None = None,
) -> Runs:
    """Return the runs that count, or refuse them with the reason.

    Parameters
    ----------
    values : sequence of float or None, shape (n,)
        Gold in mg (above 0), colours (whole, 0 or more), or gold per hour (0 or more); None for a run left out.
    cells, blocks, others : sequences of hashable, shape (n,)
    route : "mass", "colours", "rate" or "logs"
    scale_step_mg : float or None
        What a run below the scale weighs at most.

    Raises
    ------
    ValueError
        Lengths that differ, a value that cannot be, no run that counts; runs below the scale without a step, or more than a
        quarter of all or half of one combination's (they would leave no ratio worth the name), or by logarithms.
    """
    if route not in ROUTES:
        raise ValueError(f"{route}: the routes are {', '.join(ROUTES)}.")
    if len({len(values), len(cells), len(blocks), *map(len, others)}) > 1:
        raise ValueError(f"{len(values)} values, {len(cells)} combinations: one of each for every run.")
    rows = [row for row in zip(values, cells, blocks, *others, strict=True) if row[0] is not None]
    if not rows:
        raise ValueError(phrase("No run counts, so there is nothing to compare."))
    counted, in_cells, in_blocks, *rest = map(tuple, zip(*rows, strict=True))
    for value, cell in zip(counted, in_cells, strict=True):
        _check_value(value, cell, route)
    runs = Runs(route, tuple(map(float, counted)), in_cells, in_blocks, tuple(rest), scale_step_mg)
    if runs.below:
        _check_below(runs)
    return runs


def ask(
    model: CellModel,
    questions: Sequence[Question],
    *,
    reference: Cell,
    smallest_ratio: float,
    confidence: float = 0.95,
    rows_now: int | None = None,
    in_one_order: bool = False,
) -> Answers:
    """Return the ratios asked for, judged together.

    Parameters
    ----------
    model : CellModel
    questions : sequence of Question, at least one
    reference : cell
        Whose equal runs the spread is told of: the control.
    smallest_ratio : float, above 1
    confidence : float
    rows_now : int or None
        Blocks run (runs of each combination where all are in one order): how many more it takes is reckoned from it.
    in_one_order : bool
        Without blocks a further run of each leaves one more degree of freedom.

    Notes
    -----
    ln ratio = weighted sum of the ln(expected gold) of the combinations, by the fit of `comparison.compare_masses` or
    `compare_counts` (with "logs": least squares on ln); t with the error df, the largest |t| of all questions by their
    correlations in this plan (Dunnett 1955), Bonferroni where the questions depend on each other or are over MOST_CORRELATED.
    Runs below the scale as in `compare_bounded`: the interval holds whatever they weighed. A side with fewer than 3 runs,
    or under 2 df, gives a ratio without an interval.

    >>> cells = ["neither", "a", "b", "both"] * 3
    >>> runs = read_runs([2, 3, 2, 4, 3, 5, 3, 6, 2, 4, 2, 5], cells, [1] * 4 + [2] * 4 + [3] * 4, route="mass")
    >>> weights = {"neither": 1, "a": -1, "b": -1, "both": 1}
    >>> asked = Question("both", weights, tuple((cell,) for cell in weights), of_two=False)
    >>> found = ask(CellModel(runs), [asked], reference="neither", smallest_ratio=1.25)
    >>> round(found.of("both").ratio, 2)  # (15 / 7) / (12 / 7 x 7 / 7)
    1.25
    """
    check_level("confidence", confidence)
    if not questions or len({question.name for question in questions}) < len(questions):
        raise ValueError("Nothing was asked, or the same twice.")
    middle = model.middle
    estimates = {question.name: model.estimate(question) for question in questions}
    told = [question for question in questions if estimates[question.name] is not None]
    spread = middle.sd > NO_SPREAD
    enough = middle.df >= FEWEST_DF
    judged = [
        question for question in told if enough and spread and _fewest(model.runs, question) >= FEWEST_RUNS
    ]
    family = _Family(model, judged, confidence)
    sd = model.relative_sd(reference)
    answers = []
    for question in questions:
        if question not in told:
            answers.append(Answer(question, note=_untold(model, question)))
            continue
        log, low, high, se, chance_se = estimates[question.name]
        answer = Answer(question, ratio=_exp(log))
        if question not in judged:
            answers.append(_without_interval(answer, model, question))
            continue
        lower, upper = _limits(low, high, family.critical(middle.df) * se, family.critical_chance * chance_se)
        one_sided, one_sided_chance = family.one_sided(middle.df), family.one_sided(math.inf)
        within = max(one_sided * se, one_sided_chance * chance_se)
        answers.append(
            Answer(
                question,
                ratio=_exp(log),
                lower=lower,
                upper=upper,
                equivalence_lower=_exp(low - within),
                equivalence_upper=_exp(high + within),
                se_log=se,
                **_sight(model, question, family, sd, smallest_ratio, rows_now, in_one_order, high - low),
            )
        )
    return Answers(
        tuple(answers),
        df=middle.df,
        dispersion=middle.dispersion,
        sd=sd,
        confidence=confidence,
        critical_t=family.critical(middle.df) if judged else None,
        critical_chance=family.critical_chance if judged and middle.chance_sd else None,
        equivalence_t=family.one_sided(middle.df) if judged else None,
        shared_out=family.shared_out,
        runs_used=len(model.runs.values),
        runs_below=model.runs.below,
    )


def against_better_single(
    model: CellModel, both: Cell, singles: Sequence[Cell], confidence: float = 0.95, among: int = 1
) -> BetterSingle | None:
    """Return a combination against the better of its single parts; None where the runs cannot tell.

    Parameters
    ----------
    both : cell
    singles : sequence of cells, the parts alone
    among : int
        How many combinations of the trial are asked so, over which the error is shared out.

    Notes
    -----
    ratio = the least of both / single. It lies above a limit when both / single does for every single, so the lower limit
    needs no share for their number (intersection-union, Berger 1982, from memory); the upper one takes Bonferroni's.
    """
    check_level("confidence", confidence)
    questions = [Question(single, {both: 1.0, single: -1.0}, ((both,), (single,))) for single in singles]
    estimates = [model.estimate(question) for question in questions]
    middle = model.middle
    few = min((_fewest(model.runs, question) for question in questions), default=0) < FEWEST_RUNS
    if None in estimates or few or middle.df < FEWEST_DF or not middle.sd > NO_SPREAD:
        return None
    missed, shared = (1 - confidence) / 2 / among, len(singles)

    def limit(log: float, side: int, error: float, se: float, chance_se: float) -> float:
        found = log + side * t_quantile(1 - error, middle.df) * se
        by_chance = t_quantile(1 - error, math.inf) * chance_se
        # As everywhere by colours: what chance alone explains reaches 1.
        return side * max(side * found, 0.0) if chance_se and abs(log) <= by_chance else found

    lower = min(limit(low, -1, missed, se, chance) for _, low, _, se, chance in estimates)
    upper = min(limit(high, 1, missed / shared, se, chance) for _, _, high, se, chance in estimates)
    inner = min(limit(low, -1, 0.05 / among, se, chance) for _, low, _, se, chance in estimates)
    outer = min(limit(high, 1, 0.05 / among / shared, se, chance) for _, _, high, se, chance in estimates)
    log, better = min((estimate[0], number) for number, estimate in enumerate(estimates))
    return BetterSingle(singles[better], *map(_exp, (log, lower, upper, inner, outer)))


def main_question(levels: Sequence[int], factor: int, level: int) -> Question:
    """Return the question what one level of a factor does against its first, averaged over all other factors.

    `levels` says how many levels each factor has; a combination is the tuple of its level numbers from 0.

    >>> main_question([2, 2], 0, 1).weights == {(0, 0): -0.5, (0, 1): -0.5, (1, 0): 0.5, (1, 1): 0.5}
    True
    """
    cells = list(product(*map(range, levels)))
    on, off = ([cell for cell in cells if cell[factor] == wanted] for wanted in (level, 0))
    weights = {cell: 1 / len(on) for cell in on} | {cell: -1 / len(off) for cell in off}
    return Question(("main", factor, level), weights, (tuple(on), tuple(off)))


def pair_question(levels: Sequence[int], first: int, second: int, of_first: int, of_second: int) -> Question:
    """Return the question how two factors act on each other: ratio of ratios, averaged over any third factor.

    1 means that their ratios multiply.

    >>> sorted(pair_question([2, 2], 0, 1, 1, 1).weights.items())
    [((0, 0), 1.0), ((0, 1), -1.0), ((1, 0), -1.0), ((1, 1), 1.0)]
    """
    cells = list(product(*map(range, levels)))
    weights, groups = {}, []
    for a, b, sign in ((of_first, of_second, 1), (of_first, 0, -1), (0, of_second, -1), (0, 0, 1)):
        group = tuple(cell for cell in cells if cell[first] == a and cell[second] == b)
        groups.append(group)
        weights |= {cell: sign / len(group) for cell in group}
    return Question(("pair", first, of_first, second, of_second), weights, tuple(groups), of_two=False)


def three_question() -> Question:
    """Return the question whether three two-level factors do what their pairs do not explain; 1 means they do not."""
    cells = list(product(range(2), repeat=3))
    weights = {cell: (-1.0) ** (3 - sum(cell)) for cell in cells}
    return Question("all three", weights, tuple((cell,) for cell in cells), of_two=False)


def ratio_question(name: Hashable, over: Cell, under: Cell) -> Question:
    """Return the question how many times the gold of one combination another one gives."""
    return Question(name, {over: 1.0, under: -1.0}, ((over,), (under,)))


def part_question(levels: Sequence[int], factor: int, level: int, other: int, other_level: int) -> Question:
    """Return the question what a level of a factor does against its first where another factor stands at one level.

    Averaged over any third factor.

    >>> sorted(part_question([2, 2], 0, 1, 1, 1).weights.items())
    [((0, 1), -1.0), ((1, 1), 1.0)]
    """
    cells = [cell for cell in product(*map(range, levels)) if cell[other] == other_level]
    on, off = ([cell for cell in cells if cell[factor] == wanted] for wanted in (level, 0))
    weights = {cell: 1 / len(on) for cell in on} | {cell: -1 / len(off) for cell in off}
    return Question(("part", factor, level, other, other_level), weights, (tuple(on), tuple(off)))


def nested_question(name: Hashable, here: tuple[Cell, Cell], there: tuple[Cell, Cell]) -> Question:
    """Return the question how many times larger a ratio is here than there; each is (over, under).

    >>> nested_question("both", ("both", "a"), ("b", "neither")).weights
    {'both': 1.0, 'a': -1.0, 'b': -1.0, 'neither': 1.0}
    """
    weights = {here[0]: 1.0, here[1]: -1.0, there[0]: -1.0, there[1]: 1.0}
    return Question(name, weights, tuple((cell,) for cell in weights), of_two=False)


def lean(numbers: Sequence[int]) -> bool:
    """Return whether runs are spread so unevenly that one side has over twice another's (common practice, no source).

    >>> lean([3, 3, 2]), lean([4, 1])
    (False, True)
    """
    return max(numbers) > max(1, 2 * min(numbers))


def shared_mean(values: Sequence[float]) -> float | None:
    """Return the mean of some places, or minutes; None for none.

    >>> shared_mean([1.0, 2.0, 4.5])
    2.5
    """
    return math.fsum(values) / len(values) if values else None


def per_hour(amount: float, minutes: float) -> float:
    """Return gold (or colours) for an hour of panning; -inf, a run below the scale, stays so.

    >>> per_hour(3.0, 20.0)
    9.0
    """
    if not minutes > 0:
        raise ValueError(f"{minutes} minutes: a rate needs more than none.")
    return amount * 60 / minutes


def lost_fraction(gold_mg: float, tails_mg: float) -> float:
    """Return what was left in the tails, of all the gold found in concentrate and tails (calculated head).

    >>> lost_fraction(6.0, 2.0)
    0.25
    """
    if not (gold_mg > 0 and tails_mg >= 0):
        raise ValueError(
            f"{gold_mg} mg kept, {tails_mg} mg left: the first must be above 0, the other not below."
        )
    return tails_mg / (gold_mg + tails_mg)


@dataclass(frozen=True)
class Expected:
    """Gold of two changes together as each alone would lead one to expect, on two scales, beside what the runs gave.

    `times` are multiples of neither.
    """

    multiplied: float
    added: float
    seen: float
    multiplied_times: float
    seen_times: float


def expected_together(neither: float, first: float, second: float, both: float) -> Expected:
    """Return what both would have given had their ratios multiplied, and had the gold each won been added.

    >>> found = expected_together(2.0, 3.0, 4.0, 5.0)
    >>> found.multiplied, found.added, found.seen, found.multiplied_times, found.seen_times
    (6.0, 5.0, 5.0, 3.0, 2.5)
    """
    multiplied = first * second / neither
    return Expected(multiplied, first + second - neither, both, multiplied / neither, both / neither)


def excess_of_losses(
    lost_fractions: Sequence[float],
    names: Sequence[str],
    blocks: Sequence[Hashable],
    confidence: float = 0.95,
) -> LossExcess:
    """Return what two additives save together of the gold otherwise lost, beyond Bliss and beyond the better one.

    Parameters
    ----------
    lost_fractions : sequence of float, shape (n,)
        Gold left in the tails over all gold of the run (calculated head), 0 to 1: so the ceiling is known.
    names : sequence of "neither", "a_only", "b_only", "both", shape (n,)
    blocks : sequence of hashable, shape (n,)

    Raises
    ------
    ValueError
        A fraction outside 0 to 1, fewer than 2 runs of one of the four, no df, no spread, nothing lost without either, or an
        additive that loses gold by itself: Bliss is about gains.

    Notes
    -----
    fraction = treatment + block by least squares. An effect is 1 - lost / lost without either, so the excess over Bliss 1939
    is a b / n^2 - both / n (losses of A only, B only, neither, both), that over the better one min(a, b) / n - both / n;
    intervals by the delta method with the error df, the loss without either counted in.

    >>> lost = [0.40, 0.30, 0.32, 0.20, 0.44, 0.33, 0.34, 0.22, 0.42, 0.30, 0.35, 0.23]
    >>> found = excess_of_losses(lost, ["neither", "a_only", "b_only", "both"] * 3, [1] * 4 + [2] * 4 + [3] * 4)
    >>> round(found.excess.bliss_excess_fraction, 2)
    0.08
    """
    check_level("confidence", confidence)
    four = ("neither", "a_only", "b_only", "both")
    for fraction in lost_fractions:
        if not 0 <= fraction <= 1:
            raise ValueError(f"{fraction} lost: a fraction lies between 0 and 1.")
    for name in four:
        if list(names).count(name) < 2:
            raise ValueError(
                phrase(
                    "{runs} runs of {name}: each of the four needs at least 2.",
                    runs=list(names).count(name),
                    name=name,
                )
            )
    whole = fit(list(map(float, lost_fractions)), list(names), list(blocks))
    if whole.df < FEWEST_DF:
        raise ValueError(
            phrase_counted(
                "{number} degrees of freedom are too few to tell chance from an effect.",
                "{number} degrees of freedom are too few to tell chance from an effect.",
                whole.df,
            )
        )
    if whole.residual_ss == 0:
        raise ValueError(phrase("The runs agree exactly: there is no spread to judge by."))
    rows = [whole.mean_of(name) for name in four]
    if not all(whole.estimable(row) for row in rows):
        raise ValueError(phrase("The blocks do not tie the four together: some never ran beside the others."))
    neither, a, b, both = (whole.value_of(row) for row in rows)
    # A fit to losses of nought gives them but for the last digits.
    if not neither > NO_LOSS:
        raise ValueError(phrase("Nothing is lost without either, so there is nothing to save."))
    found = excess(1 - a / neither, 1 - b / neither, 1 - both / neither)
    if not found.bliss_holds:
        raise ValueError(
            phrase("One of the two loses gold by itself: chances that multiply say nothing about a loss.")
        )
    covariance = np.array(rows) @ whole.inverse @ np.array(rows).T * whole.residual_ss / whole.df
    reach = t_quantile((1 + confidence) / 2, whole.df)

    def half(slopes: Sequence[float]) -> float:
        return reach * math.sqrt(float(np.array(slopes) @ covariance @ np.array(slopes)))

    slope_of_neither = -2 * a * b / neither**3 + both / neither**2
    bliss_half = half([slope_of_neither, b / neither**2, a / neither**2, -1 / neither])
    singles = [
        ((a - both) / neither, half([-(a - both) / neither**2, 1 / neither, 0.0, -1 / neither])),
        ((b - both) / neither, half([-(b - both) / neither**2, 0.0, 1 / neither, -1 / neither])),
    ]
    middle = found.bliss_excess_fraction
    return LossExcess(
        dict(zip(four, (neither, a, b, both), strict=True)),
        found,
        middle - bliss_half,
        middle + bliss_half,
        min(over - wide for over, wide in singles),
        min(over + wide for over, wide in singles),
        whole.df,
        len(lost_fractions),
    )


@dataclass
class _Family:
    """How many standard errors each way the questions judged together reach, for any number of degrees of freedom."""

    model: CellModel
    questions: Sequence[Question]
    confidence: float
    shared_out: bool = field(default=False, init=False)
    _correlation: np.ndarray | None = field(default=None, init=False)
    _found: dict[float, float] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        if not self.questions:
            return
        rows = [self.model.middle.row(question.weights) for question in self.questions]
        dependent = int(np.linalg.matrix_rank(np.array(rows))) < len(rows)
        if dependent or len(rows) > MOST_CORRELATED:
            self.shared_out = True
        else:
            # Rounding leaves 1e-17 where a balanced plan has 0.
            self._correlation = np.round(self.model.middle.fit.correlation(rows), 12)

    def critical(self, df: float) -> float:
        if df not in self._found:
            missed = 1 - self.confidence
            self._found[df] = (
                t_quantile(1 - missed / 2 / len(self.questions), df)
                if self.shared_out
                else critical_t(self._correlation, df, self.confidence)
            )
        return self._found[df]

    @property
    def critical_chance(self) -> float:
        return self.critical(math.inf) if self.model.middle.chance_sd else 0.0

    def one_sided(self, df: float) -> float:
        return t_quantile(1 - 0.05 / len(self.questions), df)


def _fit_route(runs: Runs, values: Sequence[float]) -> _Model:
    kept = [True] * len(values)
    if runs.route == COLOURS:
        kept = _colours_that_tell(runs, values)
    columns = [
        [entry for entry, keep in zip(column, kept, strict=True) if keep]
        for column in (values, runs.cells, *runs.others, runs.blocks)
    ]
    seen, *factors = columns
    if not seen:
        raise ValueError(phrase("None of the runs shows a colour."))
    if fit([0.0] * len(seen), *factors).df < 1:
        raise ValueError(
            phrase("No run is left over to show the spread (0 degrees of freedom for the error).")
        )
    if runs.route == LOGS:
        whole = fit([math.log(value) for value in seen], *factors)
        variance = whole.residual_ss / whole.df
        return _Model(whole, whole.df, math.sqrt(variance), 0.0, variance, is_log=True)
    found = fit_counts(seen, *factors) if runs.route == COLOURS else fit_masses(seen, *factors)
    if runs.route == COLOURS:
        dispersion = max(least_dispersion(found.df), found.dispersion)
    else:
        # What the model hits exactly leaves only what the iteration stopped short of.
        dispersion = found.dispersion if found.pearson_chi2 > EXACT_FIT * sum(seen) else 0.0
        if runs.route == MASS and runs.scale_step_mg:
            dispersion = max(dispersion, float(np.mean(runs.scale_step_mg**2 / found.expected)) / 12)
    chance = 1.0 if runs.route == COLOURS else 0.0
    return _Model(found.fit, found.df, math.sqrt(dispersion), chance, dispersion, is_log=False)


def _colours_that_tell(runs: Runs, values: Sequence[float]) -> list[bool]:
    """Runs of a combination, a block or whatever else of which any run shows a colour: the others have no logarithm."""
    kept = [True] * len(values)
    while True:
        after = list(kept)
        for column in (runs.cells, *runs.others, runs.blocks):
            totals: dict[Hashable, float] = {}
            for value, entry, keep in zip(values, column, kept, strict=True):
                if keep:
                    totals[entry] = totals.get(entry, 0.0) + value
            after = [keep and totals[entry] > 0 for keep, entry in zip(after, column, strict=True)]
        if after == kept:
            return kept
        kept = after


def _check_value(value: float, cell: Cell, route: str) -> None:
    if value == BELOW_SCALE and route in (MASS, RATE):
        return
    least_said = {MASS: "a weighed mass is above 0", LOGS: "only a mass above 0 has a logarithm"}
    if route in least_said and not (value > 0 and math.isfinite(value)):
        raise ValueError(f"{value} for {cell}: {least_said[route]}.")
    if not (value >= 0 and math.isfinite(value)):
        raise ValueError(f"{value} for {cell}: it is not below 0.")
    if route == COLOURS and value != math.floor(value):
        raise ValueError(f"{value} colours for {cell}: a count is a whole number.")


def _check_below(runs: Runs) -> None:
    if not runs.scale_step_mg:
        raise ValueError(
            phrase(
                "{below} of {all} runs came out below the scale, and its step is not on record.",
                below=runs.below,
                all=len(runs.values),
            )
        )
    halves = [
        cell
        for cell in dict.fromkeys(runs.cells)
        if 2 * sum(v == BELOW_SCALE for v, c in zip(runs.values, runs.cells, strict=True) if c == cell)
        > runs.runs_of([cell])
    ]
    if runs.below > MOST_BELOW * len(runs.values) or halves:
        raise ValueError(
            phrase(
                "{below} of {all} runs came out below the scale: too many for a ratio to mean anything.",
                below=runs.below,
                all=len(runs.values),
            )
        )


def _fewest(runs: Runs, question: Question) -> int:
    return min(runs.runs_of(group) for group in question.groups)


def _untold(model: CellModel, question: Question) -> str:
    empty = [cell for cell in question.weights if not model.runs.runs_of([cell])]
    if empty:
        return "missing"
    if model.runs.route == COLOURS and any(
        cell not in model.middle.fit.treatments for cell in question.weights
    ):
        return "no colour"
    return "not tied"


def _without_interval(answer: Answer, model: CellModel, question: Question) -> Answer:
    few = _fewest(model.runs, question)
    note = "few" if few < FEWEST_RUNS or model.middle.df < FEWEST_DF else "alike"
    return Answer(answer.question, ratio=answer.ratio, note=note)


def _limits(low: float, high: float, reach: float, chance_reach: float) -> tuple[float, float]:
    """Limits of a ratio between these logs; 1 is among them where chance alone reaches as far."""
    lower, upper = _exp(low - reach), _exp(high + reach)
    return (min(lower, 1.0), max(upper, 1.0)) if max(abs(low), abs(high)) <= chance_reach else (lower, upper)


def _sight(
    model: CellModel,
    question: Question,
    family: _Family,
    sd: float | None,
    smallest_ratio: float,
    rows_now: int | None,
    in_one_order: bool,
    unknown: float,
) -> dict:
    """What could have been seen, and how many more rows would see the smallest ratio that matters."""
    if sd is None:
        return {}
    df, colours = model.middle.df, model.runs.route == COLOURS
    critical = family.critical(df)
    # The variance of a run's gold moves with its mean; for a ratio of ratios the four sides are taken as alike.
    share = 1.0 if question.of_two and not model.middle.is_log else 0.0
    se = sd * math.sqrt(model.variance_if_alike(question)) + unknown / 2 / critical
    # Each way of counting floors the spread: a difference must also pass chance alone.
    chance = math.sqrt(max(1.0, model.middle.dispersion)) if colours else 0.0

    def least(at: float) -> float:
        return family.critical(math.inf) / family.critical(at) / chance if colours else 0.0

    seen = detectable_ratio_for(se, critical, df, POWER, share, least(df))
    found = {"detectable_ratio": seen if math.isfinite(seen) else None}
    if rows_now is None:
        return found
    cells = len(model.middle.fit.treatments)
    one_row = se * math.sqrt(rows_now) / standard_error_if_alike(1.0, smallest_ratio, share)

    def enough(rows: int) -> bool:
        at = cells * (rows - 1) if in_one_order else (cells - 1) * (rows - 1)
        shift = math.log(smallest_ratio) / (one_row / math.sqrt(rows))
        return power_at(shift, family.critical(at), at, least_spread=least(at)) >= POWER

    # With the spread known exactly it takes the fewest: start there and double the stride until enough.
    known = family.critical(math.inf) + t_quantile(POWER, math.inf)
    low = max(1, math.floor((one_row * known / math.log(smallest_ratio)) ** 2) - 1)
    stride, high = 1, low + 1
    while high <= MOST_BLOCKS and not enough(high):
        low, stride = high, 2 * stride
        high = high + stride
    if high > MOST_BLOCKS and (low >= MOST_BLOCKS or not enough(MOST_BLOCKS)):
        return found
    high = min(high, MOST_BLOCKS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return found | {"more_rows": max(max(2, high) - rows_now, 1 if seen > smallest_ratio else 0)}


def _exp(power: float) -> float:
    """exp without overflow: past e^300 a limit says nothing anyway."""
    return math.exp(max(-300.0, min(300.0, power)))
