"""Two additives together: do their effects multiply, and is both better than the better one?"""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from prospecting.calc.checks import numbers
from prospecting.calc.number_words import numeral
from trials.calc.least_squares import fit
from trials.calc.simultaneous import t_quantile, t_two_sided

CELLS = ("neither", "a_only", "b_only", "both")
NO_SPREAD = 1e-12


@dataclass(frozen=True)
class TwoFactors:
    """Analysis of variance of a two-way table, sums of squares of type 2 (the same as any other where cells are equal)."""

    ss_a: float
    df_a: int
    f_a: float
    p_a: float
    ss_b: float
    df_b: int
    f_b: float
    p_b: float
    ss_interaction: float
    df_interaction: int
    f_interaction: float
    p_interaction: float
    ss_error: float
    df_error: int
    equal_cells: bool


@dataclass(frozen=True)
class RatioInterval:
    """A ratio of gold masses with its interval and two-sided level."""

    ratio: float
    lower: float
    upper: float
    p: float


@dataclass(frozen=True)
class Interaction:
    """Two additives on the ratio scale: 1 means that their ratios multiply.

    `ratio_a`, `ratio_b`, `ratio_both` are against neither. `both_over_a` and `both_over_b` answer the practical question;
    `p_both_over_better` is the level for "both is better than either alone" (the larger of the two one-sided ones).
    """

    ratio_of_ratios: float
    lower: float
    upper: float
    p: float
    df: int
    ratio_a: float
    ratio_b: float
    ratio_both: float
    both_over_a: RatioInterval
    both_over_b: RatioInterval
    p_both_over_better: float


@dataclass(frozen=True)
class Excess:
    """What two additives gave together beyond two yardsticks, as fractions of what there was to win.

    `bliss_holds` is False where an effect is negative: the formula then still gives a number, but it means nothing.
    """

    bliss_expected_fraction: float
    bliss_excess_fraction: float
    highest_single_fraction: float
    highest_single_excess_fraction: float
    bliss_holds: bool
    caution: str


@dataclass(frozen=True)
class ExcessInterval:
    """The excess over Bliss with its interval, and the least excess over the better single additive at that confidence."""

    excess: Excess
    bliss_lower: float
    bliss_upper: float
    df: float
    highest_single_lower: float


def two_factors(cells: Mapping[Hashable, Mapping[Hashable, Sequence[float]]]) -> TwoFactors:
    """Return the two-way analysis of variance with interaction.

    Parameters
    ----------
    cells : mapping of level of A to mapping of level of B to values
        Every combination with at least one run, in total more runs than combinations. For ratios give logarithms.

    Raises
    ------
    ValueError
        Fewer than 2 levels of either, a combination without a run, a value missing or not a number, no run left over
        for the error, no spread within the combinations.

    Notes
    -----
    A adjusted for B, B adjusted for A, the interaction for both (type 2); every F over the error within combinations.
    Main effects are not the answer where the interaction is large.

    >>> table = {"no": {"no": [1.0, 1.2], "yes": [2.0, 2.2]}, "yes": {"no": [1.5, 1.7], "yes": [4.0, 4.2]}}
    >>> two_factors(table).df_error
    4
    """
    rows, columns = list(cells), list(dict.fromkeys(level for row in cells.values() for level in row))
    if len(rows) < 2 or len(columns) < 2:
        raise ValueError(f"{len(rows)} by {len(columns)} levels: each factor needs at least 2.")
    values, of_a, of_b = [], [], []
    for a in rows:
        for b in columns:
            found = numbers(cells[a].get(b, []), f"a value of {a} with {b}", least=0)
            if not found:
                raise ValueError(f"No run of {a} with {b}: without it the interaction cannot be judged.")
            values += found
            of_a += [a] * len(found)
            of_b += [b] * len(found)
    both = fit(values, list(zip(of_a, of_b, strict=True)))
    if both.df < 1:
        raise ValueError(
            f"{len(values)} runs in {len(rows) * len(columns)} combinations: none is left for the error."
        )
    if both.residual_ss == 0:
        raise ValueError("The runs of each combination agree exactly: there is no spread to judge by.")
    added = fit(values, of_a, of_b).residual_ss
    df_a, df_b = len(rows) - 1, len(columns) - 1
    squares = {
        "a": (fit(values, of_b).residual_ss - added, df_a),
        "b": (fit(values, of_a).residual_ss - added, df_b),
        "interaction": (added - both.residual_ss, df_a * df_b),
    }
    error = both.residual_ss / both.df
    tests = {}
    for name, (ss, df) in squares.items():
        f = max(0.0, ss) / df / error
        tests |= {
            f"ss_{name}": max(0.0, ss),
            f"df_{name}": df,
            f"f_{name}": f,
            f"p_{name}": float(fdtrc(df, both.df, f)),
        }
    sizes = {len(values) for row in cells.values() for values in row.values()}
    return TwoFactors(**tests, ss_error=both.residual_ss, df_error=both.df, equal_cells=len(sizes) == 1)


def interaction(
    gold_mg: Mapping[str, Sequence[float]],
    confidence: float = 0.95,
    blocks: Mapping[str, Sequence[Hashable]] | None = None,
) -> Interaction:
    """Return whether two additives help each other: the ratio of ratios with its interval.

    Parameters
    ----------
    gold_mg : mapping of "neither", "a_only", "b_only", "both" to gold masses in mg
        Above 0; a mass below the scale has no logarithm. At least one run each, five in all.
    confidence : float
    blocks : mapping of the same names to the block of each run, or None for runs without blocks

    Raises
    ------
    ValueError
        Other names, a mass missing or not above 0, no run left over for the spread, blocks that do not tie the four
        together.

    Notes
    -----
    On ln(mg): both - A only - B only + neither, by least squares with the blocks in the model; t with the error df.
    Assumes runs that scatter by the same factor in all four. An interaction needs about four times the runs of a main
    effect of its size. "Independent" here means that ratios multiply; adding milligrams, or Bliss, is another yardstick.

    >>> mg = {"neither": [2.0, 2.2], "a_only": [3.0, 3.3], "b_only": [2.1, 2.0], "both": [3.1, 3.4]}
    >>> round(interaction(mg).ratio_of_ratios, 2)
    1.06
    """
    if set(gold_mg) != set(CELLS):
        raise ValueError(f"{sorted(gold_mg)}: the four are {', '.join(CELLS)}.")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
    logs, names, where = [], [], []
    for name in CELLS:
        masses = numbers(gold_mg[name], f"a gold mass in mg of {name}", above=0)
        logs += [math.log(mass) for mass in masses]
        names += [name] * len(masses)
        of_runs = list(blocks[name]) if blocks else [1] * len(masses)
        if len(of_runs) != len(masses):
            raise ValueError(f"{len(of_runs)} blocks for {len(masses)} runs of {name}: one for each run.")
        where += of_runs
    whole = fit(logs, names, where)
    if whole.df < 1:
        raise ValueError(
            f"{len(logs)} runs leave {whole.df} degrees of freedom: no run is left to show the spread."
        )
    if whole.residual_ss == 0:
        raise ValueError("Runs of one kind agree exactly: there is no spread to judge by.")
    of_a, of_b, of_both = (whole.difference(name, "neither") for name in CELLS[1:])
    error = whole.residual_ss / whole.df

    def judged(row: np.ndarray) -> RatioInterval:
        if not whole.estimable(row):
            raise ValueError("The blocks do not tie the four together: some never ran beside the others.")
        middle, se = whole.value_of(row), math.sqrt(error * whole.variance_factor(row))
        half = t_quantile((1 + confidence) / 2, whole.df) * se
        return RatioInterval(
            math.exp(middle),
            math.exp(middle - half),
            math.exp(middle + half),
            t_two_sided(middle / se, whole.df),
        )

    def p_greater(found: RatioInterval) -> float:
        return found.p / 2 if found.ratio > 1 else 1 - found.p / 2

    together = judged(of_both - of_a - of_b)
    over_a, over_b = judged(of_both - of_a), judged(of_both - of_b)
    return Interaction(
        together.ratio,
        together.lower,
        together.upper,
        together.p,
        whole.df,
        *(math.exp(whole.value_of(row)) for row in (of_a, of_b, of_both)),
        over_a,
        over_b,
        max(p_greater(over_a), p_greater(over_b)),
    )


def excess(effect_a_fraction: float, effect_b_fraction: float, effect_both_fraction: float) -> Excess:
    """Return what two additives gave together beyond Bliss's expectation and beyond the better of the two.

    Parameters
    ----------
    effect_a_fraction, effect_b_fraction, effect_both_fraction : float
        Part of what there was to win (say, of the gold otherwise lost), at most 1. Never milligrams. A negative effect is
        answered with `bliss_holds` False and a caution.

    Raises
    ------
    ValueError
        An effect above 1 or not a number.

    Notes
    -----
    Bliss 1939, Ann. Appl. Biol. 26, 585-615: expected a + b - ab. No excess is synergy without an interval: see
    `excess_from_runs`.

    >>> round(excess(0.3, 0.2, 0.5).bliss_excess_fraction, 12)
    0.06
    """
    a, b, both = effects = (effect_a_fraction, effect_b_fraction, effect_both_fraction)
    for effect in effects:
        if effect is None or not math.isfinite(effect) or effect > 1:
            raise ValueError(f"{effect} as an effect: it is a fraction of what there was to win, at most 1.")
    harm = [effect for effect in effects if effect < 0]
    caution = (
        f"An effect of {numeral(harm[0], 'g')} is a loss: chances that multiply say nothing about it. Compare with "
        "the better one alone."
        if harm
        else "Without an interval an excess may be chance."
    )
    expected, best = a + b - a * b, max(a, b)
    return Excess(expected, both - expected, best, both - best, not harm, caution)


def excess_from_runs(
    effect_a: Sequence[float],
    effect_b: Sequence[float],
    effect_both: Sequence[float],
    confidence: float = 0.95,
) -> ExcessInterval:
    """Return the excess over Bliss with an interval from the runs themselves.

    Parameters
    ----------
    effect_a, effect_b, effect_both : sequences of float
        Fractions of what there was to win, one per run, at most 1; 2 runs or more each. Runs without blocks.

    Raises
    ------
    ValueError
        As in `excess`; fewer than 2 runs; a mean effect below 0, where Bliss does not hold; no spread at all.

    Notes
    -----
    Delta method: variance of the excess = v_both + (1-b)^2 v_a + (1-a)^2 v_b, v the variance of a mean, degrees of
    freedom after Satterthwaite. `highest_single_lower` is the smaller of the two one-sided limits of both minus either
    alone: above 0, both is better than the better one.

    >>> found = excess_from_runs([0.3, 0.32, 0.28], [0.2, 0.22, 0.18], [0.5, 0.52, 0.48])
    >>> round(found.bliss_lower, 3), round(found.bliss_upper, 3)
    (0.018, 0.102)
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
    runs = [numbers(row, "an effect of a run", least=2) for row in (effect_a, effect_b, effect_both)]
    for row in runs:
        if max(row) > 1:
            raise ValueError(
                f"{max(row)} as an effect: it is a fraction of what there was to win, at most 1."
            )
    means = [math.fsum(row) / len(row) for row in runs]
    found = excess(*means)
    if not found.bliss_holds:
        raise ValueError(
            f"A mean effect of {numeral(min(means), 'g')}: Bliss holds for gains only. Compare with the better one alone."
        )
    spread = [
        math.fsum((value - mean) ** 2 for value in row) / (len(row) - 1) / len(row)
        for row, mean in zip(runs, means, strict=True)
    ]
    a, b, _ = means
    half, df = _half_width(
        [(1 - b) ** 2 * spread[0], (1 - a) ** 2 * spread[1], spread[2]], runs, (1 + confidence) / 2
    )
    over = []
    for single in (0, 1):
        one_sided, _ = _half_width([spread[single], spread[2]], [runs[single], runs[2]], confidence)
        over.append(means[2] - means[single] - one_sided)
    middle = found.bliss_excess_fraction
    return ExcessInterval(found, middle - half, middle + half, df, min(over))


def _half_width(parts: list[float], runs: list[list[float]], probability: float) -> tuple[float, float]:
    """Half the width of an interval whose variance is the sum of the parts, and Satterthwaite's degrees of freedom."""
    variance = math.fsum(parts)
    if variance <= NO_SPREAD**2:
        raise ValueError("The runs agree exactly: there is no spread to judge by.")
    df = variance**2 / math.fsum(part**2 / (len(row) - 1) for part, row in zip(parts, runs, strict=True))
    return t_quantile(probability, df) * math.sqrt(variance), df
