"""Each treatment against the control, all judged together, blocks in the model: by mass, by place, by colours."""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import numeral
from trials.calc.counts import CountFit, fit_counts, fit_masses, least_dispersion
from trials.calc.least_squares import Fit, fit
from trials.calc.levels import check_level
from trials.calc.permutation import rank_sums
from trials.calc.simultaneous import adjusted_p, critical_t, t_quantile, t_two_sided
from trials.calc.working import Working, WorkingRow, figure, given

# A run whose gold the scale could not show: lower than every weight, tied with its like. A failed run is None.
BELOW_SCALE = -math.inf
# Share of all runs that may be below the scale before only places are compared: more, and the bounds tell nothing.
MOST_BELOW = 0.25
# Spread of logarithms under which runs count as exactly alike.
NO_SPREAD = 1e-9
# How many standard errors a 90 % and a 95 % interval reach each way when the spread is known exactly.
NORMAL_90, NORMAL_95 = t_quantile(0.95, math.inf), t_quantile(0.975, math.inf)
# Beyond such a ratio a limit is no longer worth a figure in mg.
FARTHEST_RATIO = 1000.0
# Squared relative spread under which an iterated fit counts as hitting every run.
EXACT_FIT = 1e-12

DUNNETT = to_phrase("Dunnett 1955, J. Am. Stat. Assoc. 50, 1096-1121")
CHANCE_MUST_NOT_EXPLAIN = to_phrase(
    "However well the runs agree, no difference that chance alone would explain is called shown."
)
REACHES_ONE = to_phrase(", and as far as 1 where chance alone explains the difference")
EQUAL_PORTIONS = to_phrase(
    "The portions are equal parts of one well-blended lot, and treatments were drawn by lot within each block."
)


@dataclass(frozen=True)
class TreatmentComparison:
    """One treatment against the control. Ratios are treatment / control; what the runs cannot tell is None.

    `lower` and `upper` hold for all treatments together; the plain intervals for this one alone. The equivalence interval
    is that of two one-sided 5 % tests, the 5 % shared out over the treatments (Bonferroni).
    """

    treatment: Hashable
    runs: int
    mean: float | None = None
    ratio: float | None = None
    lower: float | None = None
    upper: float | None = None
    p_adjusted: float | None = None
    p_alone: float | None = None
    lower_90: float | None = None
    upper_90: float | None = None
    lower_95: float | None = None
    upper_95: float | None = None
    equivalence_lower: float | None = None
    equivalence_upper: float | None = None
    se_log: float | None = None
    blocks_compared: int = 0
    blocks_higher: int = 0
    blocks_lower: int = 0
    note: str = ""


@dataclass(frozen=True)
class ControlComparison:
    """All treatments of a trial against its control.

    `route` is "mass", "ranks" or "colours"; `mean` figures are mg or colours per run, blocks taken out. `sd_log` is the spread
    of equal runs of the control within blocks (of ln, or relative, which is near the same; for colours not under chance alone),
    `df` its degrees of freedom. `dispersion` is variance over mean as the standard errors take it.
    `critical_t` and `equivalence_t` are how many standard errors each way the intervals judged together and those of
    equivalence reach. `chance_share` as in `power.power_against_control`: how the spread moves with the ratio.
    """

    route: str
    method: str
    unit: str
    control: Hashable
    control_runs: int
    treatments: tuple[TreatmentComparison, ...]
    confidence: float
    blocks: int
    runs_used: int
    runs_left_out: int
    working: Working
    control_mean: float | None = None
    runs_below_scale: int = 0
    sd_log: float | None = None
    df: int | None = None
    critical_t: float | None = None
    equivalence_t: float | None = None
    dispersion: float | None = None
    chance_share: float = 0.0

    @property
    def assumptions(self) -> tuple[str, ...]:
        return self.working.assumptions

    @property
    def in_one_order(self) -> bool:
        """Whether there are no blocks: all runs in one random order, several of each treatment."""
        return self.blocks == 1 and self.runs_used > len(self.treatments) + 1

    @property
    def judged_together(self) -> int:
        """How many treatments could be set beside the control."""
        return sum(1 for entry in self.treatments if entry.p_adjusted is not None)

    def gain(self, treatment: Hashable) -> float | None:
        """How much more a run of the treatment gives than one of the control, in mg or colours; below zero less.

        None where the runs do not tell both.
        """
        mean = self.of(treatment).mean
        return mean - self.control_mean if mean and self.control_mean else None

    def gain_at(self, treatment: Hashable, ratio: float | None) -> float | None:
        """What `gain` is at a limit of the ratio's interval; None for a limit that does not exist or is out of all use.

        sqrt(treatment's mean x control's mean) x (sqrt(limit) - 1 / sqrt(limit)): at the ratio itself this is the gain, and it
        lies on the same side of 0 as the limit does of 1. Where a run's variance grows with its mean, the standard error of a
        difference of means in equal blocks is that of ln ratio x sqrt(product of the means): these limits reach as far, or
        a little farther for a ratio far from 1 (our own; tests hold them against truth).
        """
        mean = self.of(treatment).mean
        if not (mean and self.control_mean) or ratio is None or ratio > FARTHEST_RATIO:
            return None
        if ratio <= 0:
            return -self.control_mean
        least = -self.control_mean
        return max(least, math.sqrt(mean * self.control_mean) * (math.sqrt(ratio) - 1 / math.sqrt(ratio)))

    def of(self, treatment: Hashable) -> TreatmentComparison:
        """The comparison of one treatment; ValueError for the control or a name not in the trial."""
        for entry in self.treatments:
            if entry.treatment == treatment:
                return entry
        raise ValueError(f"{treatment} is no treatment compared with {self.control}.")


@dataclass(frozen=True)
class _Trial:
    """The runs that count, their names in order, and how many were left out."""

    values: list[float]
    treatments: list[Hashable]
    blocks: list[Hashable]
    control: Hashable
    names: list[Hashable]
    left_out: int
    # Where the design is a square: each run's place in its block's order.
    places: list[Hashable] | None = None

    @property
    def factors(self) -> list[list[Hashable]]:
        """What a model of these runs holds: treatment, block, and the place in the order where the design is a square."""
        return [self.treatments, self.blocks, *([self.places] if self.places else [])]

    def runs_of(self, treatment: Hashable) -> int:
        return self.treatments.count(treatment)

    def keep(self, wanted) -> "_Trial":
        is_kept = [wanted(*row) for row in zip(self.values, self.treatments, self.blocks, strict=True)]

        def those(column: list | None) -> list | None:
            return column and [entry for entry, keep in zip(column, is_kept, strict=True) if keep]

        return replace(
            self,
            values=those(self.values),
            treatments=those(self.treatments),
            blocks=those(self.blocks),
            places=those(self.places),
        )

    @cached_property
    def _cell_means(self) -> dict[tuple[Hashable, Hashable], float]:
        """Mean of the runs of each treatment in each block that has any."""
        cells: dict[tuple[Hashable, Hashable], list[float]] = {}
        for value, name, block in zip(self.values, self.treatments, self.blocks, strict=True):
            cells.setdefault((name, block), []).append(value)
        return {cell: _mean(values) for cell, values in cells.items()}

    def wins(self, treatment: Hashable) -> tuple[int, int, int]:
        """Blocks in which both ran, in which the treatment's mean lay higher, and lower."""
        sides = []
        for block in dict.fromkeys(self.blocks):
            own, other = (self._cell_means.get((name, block)) for name in (treatment, self.control))
            if own is not None and other is not None:
                sides.append((own > other) - (own < other))
        return len(sides), sides.count(1), sides.count(-1)

    def entry(self, treatment: Hashable, **found) -> TreatmentComparison:
        compared, higher, lower = self.wins(treatment)
        return TreatmentComparison(
            treatment,
            self.runs_of(treatment),
            blocks_compared=compared,
            blocks_higher=higher,
            blocks_lower=lower,
            **found,
        )


@dataclass(frozen=True)
class _Judged:
    """Treatments with their intervals, and how many standard errors each way these reach; None where there is no spread.

    `critical_chance`: how many of those of chance alone a difference must pass; None where chance alone is not known.
    """

    entries: Sequence[TreatmentComparison] = ()
    critical_t: float | None = None
    equivalence_t: float | None = None
    critical_chance: float | None = None


def compare_gold(
    values_mg: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
    scale_step_mg: float | None = None,
    places: Sequence[Hashable] | None = None,
) -> ControlComparison:
    """Return the comparison by mass; by place within the blocks where too many runs came out below the scale.

    A few runs below the scale are taken once as nothing and once as a whole step (`compare_bounded`). More than
    `MOST_BELOW` of all runs, more than half of one treatment's, or an unknown step leave only places. The choice follows
    from how many masses are unknown, not from the answer. Arguments as in `compare_masses`.
    """
    columns = values_mg, treatments, blocks, control, confidence
    if not any(value == BELOW_SCALE for value in values_mg):
        return compare_masses(*columns, scale_step_mg, places)
    if scale_step_mg and _few_below(values_mg, treatments):
        try:
            return compare_bounded(*columns, scale_step_mg, places)
        except ValueError:
            # With those runs as nothing no mass is left to some block: places need no masses.
            pass
    return compare_ranks(*columns)


def compare_bounded(
    values_mg: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
    scale_step_mg: float = 0.0,
    places: Sequence[Hashable] | None = None,
) -> ControlComparison:
    """Return the comparison by mass whose intervals hold whatever the runs below the scale may have weighed.

    Parameters
    ----------
    Everything as in `compare_masses`; BELOW_SCALE stands for a mass from 0 to `scale_step_mg`, which must be above 0.

    Notes
    -----
    A ratio is lowest with the treatment's unknown masses 0 and the control's a whole step, and highest the other way
    round; all 0 and all a step are reckoned too. Each interval runs around all these ratios with the largest of their
    standard errors; the ratio given is that of half a step for each. `se_log` is half the joint interval over its
    critical t. Our own bounds; tests hold them against masses drawn between the ends, tests/calibration against truth.

    >>> mg = [3.1, 3.9, 4.4, 5.1, BELOW_SCALE, 2.9, 5.0, 6.6]
    >>> found = compare_bounded(mg, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "water", scale_step_mg=0.5)
    >>> entry = found.of("rinse")
    >>> round(entry.ratio, 2), found.runs_below_scale  # (3.9 + 5.1 + 2.9 + 6.6) / (3.1 + 4.4 + 0.25 + 5.0)
    (1.45, 1)
    """
    if not scale_step_mg > 0:
        raise ValueError(f"scale step {scale_step_mg} mg: it must be above 0.")

    def taken_as(of_control: float, of_others: float) -> ControlComparison:
        known = [
            (of_control if name == control else of_others) * scale_step_mg if value == BELOW_SCALE else value
            for value, name in zip(values_mg, treatments, strict=True)
        ]
        return _compare_masses(
            known, treatments, blocks, control, confidence, scale_step_mg, places, may_be_nothing=True
        )

    middle, *ends = (taken_as(*ends) for ends in ((0.5, 0.5), (0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0)))
    entries = tuple(
        _between(entry, [end.of(entry.treatment) for end in ends], middle) for entry in middle.treatments
    )
    below = sum(1 for value in values_mg if value == BELOW_SCALE)
    bounds = phrase_counted(
        "{number} run of {all} came out below the scale: anything from nothing to {step} mg. Every interval holds whatever "
        "they weighed.",
        "{number} runs of {all} came out below the scale: anything from nothing to {step} mg. Every interval holds whatever "
        "they weighed.",
        below,
        all=middle.runs_used,
        step=figure(scale_step_mg),
    )
    working = replace(middle.working, assumptions=(*middle.working.assumptions, bounds))
    return replace(middle, treatments=entries, runs_below_scale=below, working=working)


def _few_below(values_mg: Sequence[float | None], treatments: Sequence[Hashable]) -> bool:
    """Whether so few runs are below the scale that their masses hardly matter."""
    runs: dict[Hashable, list[bool]] = {}
    for value, name in zip(values_mg, treatments, strict=True):
        if value is not None:
            runs.setdefault(name, []).append(value == BELOW_SCALE)
    below, counted = sum(map(sum, runs.values())), sum(map(len, runs.values()))
    return below <= MOST_BELOW * counted and all(2 * sum(row) <= len(row) for row in runs.values())


def _between(
    middle: TreatmentComparison, ends: Sequence[TreatmentComparison], comparison: ControlComparison
) -> TreatmentComparison:
    """The intervals around all the ratios that the unknown masses allow, as wide as the widest spread they allow."""
    if comparison.critical_t is None or None in (middle.se_log, *(end.se_log for end in ends)):
        return middle
    logs = [math.log(entry.ratio) for entry in (middle, *ends)]
    se = max(entry.se_log for entry in (middle, *ends))

    def around(t: float) -> tuple[float, float]:
        return _exp(min(logs) - t * se), _exp(max(logs) + t * se)

    lower, upper = around(comparison.critical_t)
    lower_90, upper_90 = around(t_quantile(0.95, comparison.df))
    lower_95, upper_95 = around(t_quantile(0.975, comparison.df))
    equivalence_lower, equivalence_upper = around(comparison.equivalence_t)
    return replace(
        middle,
        lower=lower,
        upper=upper,
        p_adjusted=max(entry.p_adjusted for entry in (middle, *ends)),
        p_alone=max(entry.p_alone for entry in (middle, *ends)),
        lower_90=lower_90,
        upper_90=upper_90,
        lower_95=lower_95,
        upper_95=upper_95,
        equivalence_lower=equivalence_lower,
        equivalence_upper=equivalence_upper,
        # What the joint interval comes to in standard errors: what could have been seen is reckoned from it.
        se_log=se + (max(logs) - min(logs)) / 2 / comparison.critical_t,
    )


def compare_masses(
    values_mg: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
    scale_step_mg: float | None = None,
    places: Sequence[Hashable] | None = None,
) -> ControlComparison:
    """Return each treatment's ratio of expected gold to the control's, the spread of a run falling as its gold grows.

    Parameters
    ----------
    Everything as in `compare_with_control`, and the same ValueErrors.

    Notes
    -----
    ln(expected mg) = treatment + block, variance = dispersion x mean, dispersion = Pearson chi2 / df [1]_; t with the error df
    and the largest |t| of all treatments. A run's gold is a sum of grains that fall by chance, and this is the variance of
    such a sum. Logarithms of single runs (`compare_with_control`) estimate the ratio of geometric means instead: with few
    grains to a portion these lie below the means, for the poorer treatment more, by half the variance of ln mg. In simulated
    trials their intervals then cover the true ratio too seldom (80 % of trials with six treatments where the control's
    spread is 0.6), these in 93 to 97 % (tests/calibration).

    .. [1] McCullagh and Nelder 1989, Generalized Linear Models, chapter 9 (from memory).

    >>> mg = [3.1, 3.9, 4.4, 5.1, 2.2, 2.9, 5.0, 6.6]
    >>> found = compare_masses(mg, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "water")
    >>> round(found.of("rinse").ratio, 3)  # (3.9 + 5.1 + 2.9 + 6.6) / (3.1 + 4.4 + 2.2 + 5.0)
    1.259
    """
    return _compare_masses(values_mg, treatments, blocks, control, confidence, scale_step_mg, places)


def _compare_masses(
    values_mg, treatments, blocks, control, confidence, scale_step_mg, places, *, may_be_nothing: bool = False
) -> ControlComparison:
    check_level("confidence", confidence)
    read = _read if may_be_nothing else _read_masses
    trial = read(values_mg, treatments, blocks, control, places)
    _check_spread_left(trial)
    fitted = fit_masses(trial.values, *trial.factors)
    floor = float(np.mean(scale_step_mg**2 / fitted.expected)) / 12 if scale_step_mg else 0.0
    # Masses that the model hits exactly leave only what the iteration stopped short of.
    seen = fitted.dispersion if fitted.pearson_chi2 > EXACT_FIT * sum(trial.values) else 0.0
    dispersion = max(seen, floor)
    judged = _ratio_entries(trial, fitted.fit, math.sqrt(dispersion), fitted.df, confidence)
    control_mean = _expected_mean(fitted.fit, control)
    entries = [
        replace(entry, mean=_expected_mean(fitted.fit, entry.treatment)) if entry.ratio is not None else entry
        for entry in judged.entries
    ]
    middle = control_mean or _mean(trial.values)
    sd = math.sqrt(dispersion / middle)
    assumptions = [
        phrase(EQUAL_PORTIONS),
        phrase("A treatment changes the expected gold of every block by the same factor."),
        phrase(
            "A run scatters as a sum of grains that fall by chance: its variance grows with its expected gold."
        ),
        phrase("One run is one portion panned once; two weighings of one concentrate are one run."),
        *_left_out_sentence(trial),
    ]
    if seen < floor:
        assumptions.append(_within_step(scale_step_mg))
    rows = [
        _model_row(
            phrase("ln(expected mg) = {model}, variance = dispersion x mean", model=_held(trial)), trial
        ),
        WorkingRow(
            phrase("Dispersion: variance of a run over its expected gold"),
            phrase("Pearson chi-squared / degrees of freedom"),
            (
                given(phrase("Pearson chi-squared"), fitted.pearson_chi2),
                given(phrase("degrees of freedom"), fitted.df),
            ),
            figure(dispersion),
            "mg",
            phrase("McCullagh and Nelder 1989, chapter 9 (from memory)"),
        ),
        WorkingRow(
            phrase("Spread of equal runs of the control within blocks"),
            phrase("square root of (dispersion / mean of the control)"),
            (
                given(phrase("dispersion"), dispersion, "mg"),
                given(phrase("mean of the control"), middle, "mg"),
            ),
            figure(sd),
            phrase("of the mean"),
            phrase("standard result"),
        ),
        *_critical_row(judged.critical_t, entries, fitted.df, confidence),
        *_ratio_rows(entries, judged.critical_t, sd, control),
    ]
    return _comparison(
        trial,
        confidence,
        rows,
        assumptions,
        judged,
        route="mass",
        method=phrase(
            "Ratios of expected gold: log-linear, blocks in the model, scatter taken from the runs, all judged together."
        ),
        unit="mg",
        control_mean=control_mean,
        treatments=tuple(entries),
        sd_log=sd if sd > NO_SPREAD else None,
        df=fitted.df,
        dispersion=dispersion,
        chance_share=1.0,
    )


def compare_with_control(
    values_mg: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
    scale_step_mg: float | None = None,
    places: Sequence[Hashable] | None = None,
) -> ControlComparison:
    """Return each treatment's ratio to the control from weighed gold.

    Parameters
    ----------
    values_mg : sequence of float or None, shape (n,)
        Gold of each run in mg, above 0; None for a failed run. 0, nan and BELOW_SCALE raise ValueError.
    treatments, blocks : sequences of hashable, shape (n,)
        Treatments by the names they are to be read by.
    control : hashable
        One of the treatments, with at least one run that counts; otherwise ValueError.
    confidence : float
        Of the intervals judged together; the plain 90 % and 95 % intervals and the equivalence interval are fixed.
    scale_step_mg : float or None
        Step of the scale. Runs that agree to the step show no spread; the step's own rounding then stands in for it.
    places : sequence of hashable, shape (n,), or None
        Each run's place in the order of its block, where the design is a square: the order's drift is then taken out as
        the blocks are, and the error has the df of a Latin square.

    Returns
    -------
    ControlComparison
        Treatments without a run, or tied to the control by no block, are listed with a note and no ratio.

    Notes
    -----
    ln(mg) = treatment + block + error by least squares on the runs there are; t with the error df; intervals by the
    distribution of the largest |t| with the correlations of this very plan [1]_. ValueError when no run is left over to
    show the spread (error df under 1).

    .. [1] Dunnett 1955, J. Am. Stat. Assoc. 50, 1096-1121; Hsu 1996, Multiple Comparisons, for blocks (from memory).

    >>> mg = [3.1, 3.9, 4.4, 5.1, 2.2, 2.9, 5.0, 6.6]
    >>> found = compare_with_control(mg, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "water")
    >>> round(found.of("rinse").ratio, 2)
    1.26
    """
    check_level("confidence", confidence)
    trial = _read_masses(values_mg, treatments, blocks, control, places)
    logs = fit([math.log(value) for value in trial.values], *trial.factors)
    if logs.df < 1:
        raise ValueError(
            phrase(
                "{runs} runs leave {df} degrees of freedom for the error: no run is left over to show the spread.",
                runs=len(trial.values),
                df=logs.df,
            )
        )
    variance = logs.residual_ss / logs.df
    floor = float(np.mean((scale_step_mg / np.array(trial.values)) ** 2)) / 12 if scale_step_mg else 0.0
    sd_log = math.sqrt(max(variance, floor))
    assumptions = [
        phrase(EQUAL_PORTIONS),
        phrase(
            "Masses multiply: a treatment changes every block's gold by the same factor, and runs scatter by the same factor."
        ),
        phrase("One run is one portion panned once; two weighings of one concentrate are one run."),
        *_left_out_sentence(trial),
    ]
    if variance < floor:
        assumptions.append(_within_step(scale_step_mg))
    judged = _ratio_entries(trial, logs, sd_log, logs.df, confidence)
    rows = [
        _model_row(phrase("ln(mg) = {model} + error, by least squares", model=_held(trial)), trial),
        WorkingRow(
            phrase("Spread of equal runs within blocks (sd of ln mg)"),
            phrase("square root of (residual sum of squares / degrees of freedom)"),
            (
                given(phrase("residual sum of squares"), logs.residual_ss),
                given(phrase("degrees of freedom"), logs.df),
            ),
            figure(sd_log),
            "",
            phrase("standard result"),
        ),
        *_critical_row(judged.critical_t, judged.entries, logs.df, confidence),
        *_ratio_rows(judged.entries, judged.critical_t, sd_log, control),
    ]
    return _comparison(
        trial,
        confidence,
        rows,
        assumptions,
        judged,
        route="mass",
        method=phrase(
            "Ratios of gold masses: logarithms, blocks in the model, all treatments judged together against the control."
        ),
        unit="mg",
        control_mean=_log_mean(logs, control),
        treatments=tuple(judged.entries),
        sd_log=sd_log if sd_log > NO_SPREAD else None,
        df=logs.df,
    )


def compare_ranks(
    values_or_below: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
) -> ControlComparison:
    """Return which treatments came higher or lower than the control within the blocks; a direction, no ratio.

    Parameters
    ----------
    values_or_below : sequence of float, BELOW_SCALE or None, shape (n,)
        Gold of each run in mg; BELOW_SCALE ties for the lowest place of its block; None for a failed run.
    treatments, blocks, control : as in `compare_with_control`

    Notes
    -----
    Rank sums within blocks with the labels shuffled within blocks, judged by the largest difference of all treatments
    (`permutation.rank_sums`). `sd_log` is that of the runs that could be weighed, where they leave 2 degrees of freedom: at
    best so small, since the lowest runs are missing from it.

    >>> found = compare_ranks([BELOW_SCALE, 1.2, BELOW_SCALE, 0.9], ["water", "rinse"] * 2, [1, 1, 2, 2], "water")
    >>> found.of("rinse").blocks_higher, found.of("rinse").ratio
    (2, None)
    """
    check_level("confidence", confidence)
    trial = _read(values_or_below, treatments, blocks, control)
    for value, name, block in zip(trial.values, trial.treatments, trial.blocks, strict=True):
        if value != BELOW_SCALE and not (value > 0 and math.isfinite(value)):
            raise ValueError(
                f"{value} mg for {name} in block {block}: a weighed mass is above 0; give 0 as below the scale."
            )
    below = trial.values.count(BELOW_SCALE)
    sums = rank_sums(trial.values, trial.treatments, trial.blocks, control)
    entries = []
    for name in trial.names:
        entry = trial.entry(name)
        if not entry.blocks_compared:
            entries.append(replace(entry, note=_no_comparison(trial, name)))
        else:
            entries.append(replace(entry, p_adjusted=sums.p_adjusted[name]))
    sd_log, df = _spread_of_weighed(trial)
    how = phrase("every order counted") if sums.exact else phrase("40,000 shuffles with a fixed seed")
    rows = [
        _model_row(phrase("places within each block; runs below the scale tie for the lowest place"), trial),
        *(
            WorkingRow(
                phrase("{treatment}: places against {control}", treatment=entry.treatment, control=control),
                phrase(
                    "sum over blocks of (mean place of the treatment - mean place of the control), largest of all under shuffling"
                ),
                (
                    given(phrase("blocks compared"), entry.blocks_compared),
                    given(phrase("blocks higher"), entry.blocks_higher),
                    given(phrase("blocks lower"), entry.blocks_lower),
                    given(phrase("difference of rank sums"), float(sums.difference[entry.treatment])),
                ),
                figure(entry.p_adjusted),
                phrase("chance of so large a difference of any treatment if none does anything"),
                phrase("shuffling labels within blocks: {how}", how=how),
                about=str(entry.treatment),
            )
            for entry in entries
            if entry.p_adjusted is not None
        ),
    ]
    assumptions = (
        phrase(EQUAL_PORTIONS),
        phrase(
            "{below} of {all} runs came out below the scale: they count as less than every weighed run, and as alike.",
            below=below,
            all=len(trial.values),
        ),
        phrase("If no treatment does anything, every order within a block is equally likely."),
        phrase("Places say which gave more, not how much more."),
        *_left_out_sentence(trial),
    )
    return _comparison(
        trial,
        confidence,
        rows,
        assumptions,
        route="ranks",
        method=phrase(
            "Places within blocks, labels shuffled within blocks, all treatments judged together against the control."
        ),
        unit="place",
        treatments=tuple(entries),
        runs_below_scale=below,
        sd_log=sd_log,
        df=df,
    )


def compare_counts(
    counts: Sequence[int | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
    places: Sequence[Hashable] | None = None,
) -> ControlComparison:
    """Return each treatment's ratio of colours to the control.

    Parameters
    ----------
    counts : sequence of int or None, shape (n,)
        Colours of each run, 0 or more; None for a failed run.
    treatments, blocks, control, places : as in `compare_with_control`

    Notes
    -----
    ln(expected colours) = treatment + block, variance = dispersion x mean, dispersion = Pearson chi2 / df [1]_, not under
    `counts.least_dispersion`; t with the error df and the largest |t| as in `compare_with_control`. Student's t allows for a
    dispersion that comes out small by luck, so a floor of 1 would count the same doubt twice. A dispersion moderated towards
    chance [2]_ would be sharper, but with a prior of 4 or 8 df it covered only 90 or 87 % where hands make most of the spread.

    Chance alone, with its exactly known spread, must not explain a difference that is called shown: where it would, the interval
    reaches 1, the levels are those of chance, and the equivalence interval is nowhere narrower than that of chance.

    A block without any colour says nothing and is set aside. A treatment without any colour has no logarithm: its ratio is 0,
    with an exact upper limit given the control's colours in the shared blocks, divided by the dispersion where that is above 1;
    the same the other way round when the control has none.

    .. [1] McCullagh and Nelder 1989, Generalized Linear Models, chapter 6 (from memory).
    .. [2] Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3(1), article 3 (formula and reference from the documentation of
       programs that use it; the article itself not read).

    >>> seen = [5, 9, 7, 12, 4, 9, 6, 13]
    >>> found = compare_counts(seen, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "water")
    >>> round(found.of("rinse").ratio, 2)
    1.95
    """
    check_level("confidence", confidence)
    trial = _read(counts, treatments, blocks, control, places)
    for value, name, block in zip(trial.values, trial.treatments, trial.blocks, strict=True):
        if value < 0 or value != math.floor(value):
            raise ValueError(
                f"{value} colours for {name} in block {block}: a count is a whole number, 0 or more."
            )
    _check_spread_left(trial)
    totals = {name: _total(trial, name) for name in (*trial.names, control)}
    block_totals = {
        block: sum(v for v, b in zip(trial.values, trial.blocks, strict=True) if b == block)
        for block in trial.blocks
    }
    seen = trial.keep(lambda value, name, block: totals[name] > 0 and block_totals[block] > 0)
    fitted, why = _fit_seen(seen)
    least = least_dispersion(fitted.df) if fitted else 1.0
    dispersion = max(least, fitted.dispersion) if fitted else 1.0
    entries, judged, sd_log, df = [], _Judged(), None, fitted.df if fitted else None
    ratio_of = {}
    if fitted and totals[control] > 0:
        silent = sum(1 for name in trial.names if not totals[name] and trial.runs_of(name))
        judged = _ratio_entries(
            seen, fitted.fit, math.sqrt(dispersion), fitted.df, confidence, silent, chance_sd=1.0
        )
        ratio_of = {entry.treatment: entry for entry in judged.entries}
        sd_log = math.sqrt(max(1.0, dispersion) / (totals[control] / trial.runs_of(control)))
    together = sum(1 for name in trial.names if totals[name] + totals[control] > 0 and trial.runs_of(name))
    for name in trial.names:
        plain = trial.entry(name, mean=totals[name] / trial.runs_of(name) if trial.runs_of(name) else None)
        fitted_entry = ratio_of.get(name)
        if not plain.blocks_compared:
            entries.append(replace(plain, note=_no_comparison(trial, name)))
        elif fitted_entry and fitted_entry.ratio is not None:
            entries.append(
                replace(
                    fitted_entry,
                    mean=plain.mean,
                    runs=plain.runs,
                    blocks_compared=plain.blocks_compared,
                    blocks_higher=plain.blocks_higher,
                    blocks_lower=plain.blocks_lower,
                )
            )
        elif totals[name] and totals[control]:
            entries.append(replace(plain, note=why or _no_comparison(trial, name)))
        else:
            entries.append(_one_sided(trial, plain, max(1.0, dispersion), together, confidence))
    rows = [
        _model_row(
            phrase("ln(expected colours) = {model}, variance = dispersion x mean", model=_held(trial)), trial
        )
    ]
    if fitted:
        rows.append(
            WorkingRow(
                phrase("Dispersion: how much more runs scatter than grains falling by chance"),
                phrase(
                    "Pearson chi-squared / degrees of freedom, not under what chance alone stays above in 9 trials of 10"
                ),
                (
                    given(phrase("Pearson chi-squared"), fitted.pearson_chi2),
                    given(phrase("degrees of freedom"), fitted.df),
                    given(phrase("chance alone stays above"), least),
                ),
                figure(dispersion),
                "",
                phrase("McCullagh and Nelder 1989, chapter 6 (from memory)"),
            )
        )
    rows += [
        *_critical_row(judged.critical_t, entries, df, confidence),
        *_chance_row(judged.critical_chance, entries, confidence),
        *_ratio_rows(entries, judged.critical_t, None, control, reaches=phrase(REACHES_ONE)),
    ]
    assumptions = (
        phrase(EQUAL_PORTIONS),
        phrase("A treatment changes the colours of every block by the same factor."),
        phrase("Colours of all size classes count alike: more colours is not the same as more gold."),
        *([phrase(CHANCE_MUST_NOT_EXPLAIN)] if judged.critical_chance is not None else []),
        *(
            [
                phrase(
                    "The runs agree better than chance lets 9 trials in 10; the least scatter of those 9 is taken as their "
                    "spread."
                )
            ]
            if fitted and fitted.dispersion < least
            else []
        ),
        *_left_out_sentence(trial),
    )
    return _comparison(
        trial,
        confidence,
        rows,
        assumptions,
        judged,
        route="colours",
        method=phrase(
            "Ratios of colours counted: log-linear, blocks in the model, scatter taken from the runs, all judged together."
        ),
        unit=phrase("colours per run"),
        control_mean=totals[control] / trial.runs_of(control),
        treatments=tuple(entries),
        sd_log=sd_log,
        df=df,
        dispersion=dispersion if fitted else None,
        chance_share=1.0,
    )


def _comparison(
    trial: _Trial,
    confidence: float,
    rows: Sequence[WorkingRow],
    assumptions: Sequence[str],
    judged: _Judged | None = None,
    **found,
) -> ControlComparison:
    """What every way of comparing reports of its runs, beside what this one `found`."""
    judged = judged or _Judged()
    return ControlComparison(
        control=trial.control,
        control_runs=trial.runs_of(trial.control),
        confidence=confidence,
        blocks=len(set(trial.blocks)),
        runs_used=len(trial.values),
        runs_left_out=trial.left_out,
        critical_t=judged.critical_t,
        equivalence_t=judged.equivalence_t,
        working=Working(tuple(rows), tuple(assumptions)),
        **found,
    )


def _read(values, treatments, blocks, control, places=None) -> _Trial:
    if not len(values) == len(treatments) == len(blocks) == len(blocks if places is None else places):
        raise ValueError(
            f"{len(values)} values, {len(treatments)} treatments, {len(blocks)} blocks: one of each for every run."
        )
    rows = [
        (float(value), name, block)
        for value, name, block in zip(values, treatments, blocks, strict=True)
        if value is not None
    ]
    for value, name, block in rows:
        if math.isnan(value):
            raise ValueError(f"{value} for {name} in block {block}: give None for a run without a result.")
    names = [name for name in dict.fromkeys(treatments) if name != control]
    if not any(name == control for _, name, _ in rows):
        raise ValueError(
            phrase(
                "{control}: the control has no run that counts, so there is nothing to compare with.",
                control=control,
            )
        )
    if not names:
        raise ValueError(
            phrase("{control} is the only treatment: a comparison needs another.", control=control)
        )
    kept, kept_names, kept_blocks = map(list, zip(*rows, strict=True))
    kept_places = places and [place for value, place in zip(values, places, strict=True) if value is not None]
    return _Trial(kept, kept_names, kept_blocks, control, names, len(values) - len(rows), kept_places)


def _read_masses(values_mg, treatments, blocks, control, places=None) -> _Trial:
    trial = _read(values_mg, treatments, blocks, control, places)
    for value, name, block in zip(trial.values, trial.treatments, trial.blocks, strict=True):
        if value == BELOW_SCALE:
            raise ValueError(
                f"A run of {name} in block {block} is below the scale and has no logarithm: compare places instead."
            )
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(
                f"{value} mg for {name} in block {block}: a weighed mass is above 0; give 0 as below the scale."
            )
    return trial


def _check_spread_left(trial: _Trial) -> None:
    df = fit(trial.values, *trial.factors).df
    if df < 1:
        raise ValueError(
            phrase(
                "{runs} runs leave {df} degrees of freedom for the error: no run is left over to show the spread.",
                runs=len(trial.values),
                df=df,
            )
        )


def _ratio_entries(
    trial: _Trial,
    model: Fit,
    sd: float,
    df: int,
    confidence: float,
    judged_elsewhere: int = 0,
    chance_sd: float = 0.0,
) -> _Judged:
    """Ratios with all their intervals; `sd` times the square root of the model's variance factor is the standard error.

    `judged_elsewhere` treatments take their share of the error allowed (Bonferroni between the two groups). `chance_sd` is
    what `sd` would be by chance alone, where that is known exactly: a difference it explains is not shown.
    """
    differences = {
        name: model.difference(name, trial.control)
        for name in trial.names
        if name in model.treatments and trial.control in model.treatments
    }
    differences = {name: row for name, row in differences.items() if model.estimable(row)}
    if not differences:
        return _Judged([trial.entry(name, note=_no_comparison(trial, name)) for name in trial.names])
    correlation = model.correlation(list(differences.values()))
    # Runs alike to the last digit give no spread, hence no interval: better none than one of no width.
    spread = sd > NO_SPREAD
    share = len(differences) / (len(differences) + judged_elsewhere)
    level = 1 - (1 - confidence) * share
    critical = critical_t(correlation, df, level) if spread else None
    critical_chance = critical_t(correlation, math.inf, level) if chance_sd else None
    one_sided, one_sided_chance = (
        t_quantile(1 - 0.05 * share / len(differences), each) for each in (df, math.inf)
    )
    entries = []
    for name in trial.names:
        if name not in differences:
            entries.append(trial.entry(name, note=_no_comparison(trial, name)))
            continue
        log_ratio = model.value_of(differences[name])
        entry = trial.entry(name, ratio=math.exp(log_ratio), mean=_log_mean(model, name))
        if not spread:
            entries.append(
                replace(
                    entry,
                    note=phrase(
                        "The runs of each treatment agree to the last digit: what they were measured with hides their spread."
                    ),
                )
            )
            continue
        root = math.sqrt(model.variance_factor(differences[name]))
        se, chance_se = sd * root, chance_sd * root
        lower, upper = _interval(log_ratio, critical * se, (critical_chance or 0.0) * chance_se)
        lower_90, upper_90 = _interval(log_ratio, t_quantile(0.95, df) * se, NORMAL_90 * chance_se)
        lower_95, upper_95 = _interval(log_ratio, t_quantile(0.975, df) * se, NORMAL_95 * chance_se)
        within = max(one_sided * se, one_sided_chance * chance_se)
        equivalence_lower, equivalence_upper = _interval(log_ratio, within)
        p_adjusted, p_alone = adjusted_p(log_ratio / se, correlation, df), t_two_sided(log_ratio / se, df)
        if chance_sd:
            p_adjusted = max(p_adjusted, adjusted_p(log_ratio / chance_se, correlation, math.inf))
            p_alone = max(p_alone, t_two_sided(log_ratio / chance_se, math.inf))
        entries.append(
            replace(
                entry,
                lower=lower,
                upper=upper,
                p_adjusted=min(1.0, p_adjusted / share),
                p_alone=p_alone,
                lower_90=lower_90,
                upper_90=upper_90,
                lower_95=lower_95,
                upper_95=upper_95,
                equivalence_lower=equivalence_lower,
                equivalence_upper=equivalence_upper,
                se_log=se,
            )
        )
    return _Judged(entries, critical, one_sided if spread else None, critical_chance)


def _interval(log_ratio: float, reach: float, chance_reach: float = 0.0) -> tuple[float, float]:
    """Limits of the ratio; 1 is among them where the difference is within the reach of chance alone."""
    lower, upper = _exp(log_ratio - reach), _exp(log_ratio + reach)
    return (min(lower, 1.0), max(upper, 1.0)) if abs(log_ratio) <= chance_reach else (lower, upper)


def _fit_seen(seen: _Trial) -> tuple[CountFit | None, str]:
    """The fit of the runs whose treatment and block show colours, or None and why there is none."""
    if len(set(seen.treatments)) < 2:
        return None, phrase("Fewer than two treatments show any colour.")
    try:
        return fit_counts(seen.values, *seen.factors), ""
    except ValueError as error:
        return None, str(error)


def _one_sided(
    trial: _Trial, entry: TreatmentComparison, dispersion: float, together: int, confidence: float
) -> TreatmentComparison:
    """The treatment, or the control, shows no colour: an exact limit on one side, given the colours of the other."""
    shared = {
        block
        for block in trial.blocks
        if {entry.treatment, trial.control}
        <= {name for name, b in zip(trial.treatments, trial.blocks, strict=True) if b == block}
    }
    both = trial.keep(lambda value, name, block: block in shared)
    ours, theirs = _total(both, entry.treatment), _total(both, trial.control)
    if ours + theirs == 0:
        return replace(
            entry,
            note=phrase(
                "Neither {treatment} nor {control} shows any colour.",
                treatment=entry.treatment,
                control=trial.control,
            ),
        )
    runs, control_runs = both.runs_of(entry.treatment), both.runs_of(trial.control)
    # Clumped colours tell as much as fewer independent ones would.
    told = (ours + theirs) / dispersion
    silent, other = (runs, control_runs) if theirs else (control_runs, runs)
    missed = (1 - confidence) / 2 / max(1, together)
    limit = (missed ** (-1 / told) - 1) * other / silent
    tail = (other / (other + silent)) ** told
    p = min(1.0, 2 * tail * max(1, together))
    if theirs:
        note = phrase(
            "{treatment} shows no colour at all, so only an upper limit of its ratio exists.",
            treatment=entry.treatment,
        )
        return replace(
            entry, ratio=0.0, lower=0.0, upper=limit, p_adjusted=p, p_alone=min(1.0, 2 * tail), note=note
        )
    note = phrase(
        "{control} shows no colour at all, so the ratio has a lower limit but no value.",
        control=trial.control,
    )
    return replace(entry, lower=1 / limit, p_adjusted=p, p_alone=min(1.0, 2 * tail), note=note)


def _spread_of_weighed(trial: _Trial) -> tuple[float | None, int | None]:
    weighed = trial.keep(lambda value, name, block: value != BELOW_SCALE)
    if not weighed.values:
        return None, None
    logs = fit([math.log(value) for value in weighed.values], weighed.treatments, weighed.blocks)
    if logs.df < 2 or logs.residual_ss <= NO_SPREAD**2:
        return None, None
    return math.sqrt(logs.residual_ss / logs.df), logs.df


def _no_comparison(trial: _Trial, name: Hashable) -> str:
    if not trial.runs_of(name):
        return phrase("No run of {name} counts, so it cannot be compared.", name=name)
    return phrase(
        "No block ties {name} to {control}, so they cannot be compared.", name=name, control=trial.control
    )


def _within_step(scale_step_mg: float) -> str:
    step = figure(scale_step_mg)
    return phrase(
        "The runs agree within the scale's step of {step} mg; its rounding is taken as their spread.",
        step=step,
    )


def _left_out_sentence(trial: _Trial) -> list[str]:
    if not trial.left_out:
        return []

    return [
        phrase_counted(
            "{number} run without a result is left out; if runs failed because of their treatment, no comparison of the rest "
            "is fair.",
            "{number} runs without a result are left out; if runs failed because of their treatment, no comparison of the "
            "rest is fair.",
            trial.left_out,
        )
    ]


def _held(trial: _Trial) -> str:
    """What the model of these runs holds, in words."""
    return phrase("treatment + block + place in the order") if trial.places else phrase("treatment + block")


def _model_row(formula: str, trial: _Trial) -> WorkingRow:
    return WorkingRow(
        phrase("Runs compared"),
        formula,
        (
            given(phrase("runs that count"), len(trial.values)),
            given(phrase("runs left out"), trial.left_out),
            given(phrase("blocks"), len(set(trial.blocks))),
            given(phrase("treatments with the control"), len(set(trial.treatments))),
        ),
        str(len(trial.values)),
        phrase("runs"),
    )


def _critical_row(critical, entries, df, confidence) -> list[WorkingRow]:
    if critical is None:
        return []
    together = sum(1 for entry in entries if entry.se_log is not None)
    return [
        WorkingRow(
            phrase(
                "Standard errors each way for a {level} % interval, all treatments judged together",
                level=numeral(100 * confidence, "g"),
            ),
            phrase(
                "the value that the largest |t| of all comparisons stays within, with their correlations in this plan"
            ),
            (
                given(phrase("comparisons with the control"), together),
                given(phrase("degrees of freedom"), df),
            ),
            figure(critical, 4),
            phrase("standard errors"),
            phrase(DUNNETT),
        )
    ]


def _chance_row(critical_chance, entries, confidence) -> list[WorkingRow]:
    if critical_chance is None:
        return []
    together = sum(1 for entry in entries if entry.se_log is not None)
    return [
        WorkingRow(
            phrase("Standard errors by chance alone that a difference must pass to be called shown"),
            phrase(
                "the same for a dispersion of 1 known exactly, {level} %",
                level=numeral(100 * confidence, "g"),
            ),
            (given(phrase("comparisons with the control"), together),),
            figure(critical_chance, 4),
            phrase("standard errors at a dispersion of 1"),
            phrase(DUNNETT),
        )
    ]


def _ratio_rows(entries, critical, sd_log, control, reaches: str = "") -> list[WorkingRow]:
    rows = []
    for entry in entries:
        if entry.se_log is None or critical is None:
            continue
        spread = [given(phrase("spread of ln"), sd_log)] if sd_log is not None else []
        rows.append(
            WorkingRow(
                f"{entry.treatment} / {control}",
                phrase(
                    "exp(difference of ln means), limits exp(difference -/+ standard errors each way x standard error)"
                )
                + reaches,
                (
                    given(phrase("difference of ln means"), math.log(entry.ratio)),
                    *spread,
                    given(phrase("standard error"), entry.se_log),
                    given(phrase("standard errors each way"), critical),
                ),
                phrase(
                    "{ratio} ({low} to {high})",
                    ratio=figure(entry.ratio),
                    low=figure(entry.lower),
                    high=figure(entry.upper),
                ),
                phrase("times"),
                phrase("least-squares means, blocks in the model"),
                about=str(entry.treatment),
            )
        )
    return rows


def _log_mean(model: Fit, name: Hashable) -> float | None:
    if name not in model.treatments or not model.estimable(model.mean_of(name)):
        return None
    return _exp(model.value_of(model.mean_of(name)))


def _expected_mean(model: Fit, name: Hashable) -> float | None:
    """Expected value of the treatment, averaged over all blocks; None where the runs cannot tell it."""
    if name not in model.treatments or not model.estimable(model.mean_of(name)):
        return None
    row = np.zeros(model.design.shape[1])
    row[model.treatments.index(name)] = 1
    start, blocks = len(model.treatments), len(model.levels[1])
    logs = model.coefficients[start : start + blocks] + row @ model.coefficients + model.centre
    return float(np.mean(np.exp(np.clip(logs, -300, 300))))


def _exp(power: float) -> float:
    """exp without overflow: past e^300 a limit says nothing anyway."""
    return math.exp(max(-300.0, min(300.0, power)))


def _mean(values: Sequence[float]) -> float | None:
    return (
        math.fsum(values) / len(values)
        if values and -math.inf not in values
        else (-math.inf if values else None)
    )


def _total(trial: _Trial, name: Hashable) -> float:
    return sum(value for value, entry in zip(trial.values, trial.treatments, strict=True) if entry == name)
