"""Analysis of variance: one factor, blocks, Latin squares; with cells missing."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

from scipy.special import fdtrc, stdtrit

from trials.calc.least_squares import fit
from trials.calc.levels import check_level

Groups = Mapping[Hashable, Sequence[float]]
Table = Mapping[Hashable, Sequence[float | None]]


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance. F is None, not infinite, where the runs of each group agree exactly."""

    df_between: int
    df_within: float
    ss_between: float | None
    ss_within: float | None
    ms_between: float | None
    ms_within: float | None
    f: float | None
    p: float | None
    residual_sd: float | None


@dataclass(frozen=True)
class MeanIntervals:
    """Group means with intervals from the pooled error."""

    means: dict[Hashable, float]
    lower: dict[Hashable, float]
    upper: dict[Hashable, float]
    residual_sd: float
    df: int


@dataclass(frozen=True)
class Blocks:
    """Analysis of variance of complete randomised blocks."""

    ss_treatments: float
    ss_blocks: float
    ss_error: float
    df_treatments: int
    df_blocks: int
    df_error: int
    ms_error: float
    f_treatments: float | None
    p_treatments: float | None
    f_blocks: float | None
    p_blocks: float | None
    means: dict[Hashable, float]
    se_difference: float
    ci_half_width_difference: float
    relative_efficiency: float | None


@dataclass(frozen=True)
class BlocksMissing:
    """Analysis of variance of blocks with cells missing, treatments adjusted for blocks."""

    df_error: int
    ss_treatments_adjusted_for_blocks: float
    ss_error: float
    f_treatments: float | None
    p_treatments: float | None
    least_squares_means: dict[Hashable, float]
    raw_means: dict[Hashable, float]
    difference_from_control: dict[Hashable, float]
    se_difference_from_control: dict[Hashable, float]


@dataclass(frozen=True)
class LatinSquare:
    """Analysis of variance of a Latin square."""

    ss_treatments: float
    ss_rows: float
    ss_columns: float
    ss_error: float
    df_error: int
    f_treatments: float | None
    p_treatments: float | None
    means: dict[Hashable, float]


def one_way(groups: Groups) -> OneWay:
    """Return the one-way analysis of variance of runs without blocks.

    Parameters
    ----------
    groups : mapping of treatment to values
        Two or more groups, more runs than groups; otherwise ValueError.

    Notes
    -----
    F = (between SS / (k - 1)) / (within SS / (N - k)).

    >>> one_way({"water": [1.0, 2.0], "rinse": [3.0, 4.0]}).f
    8.0
    """
    values, names = _flat(groups)
    within = fit(values, names)
    total = fit(values, [0] * len(values))
    _check_df(within.df)
    between_df = len(groups) - 1
    # From the means directly: subtracting two sums of squares would lose digits.
    between = sum(
        within.runs_of(name) * (within.value_of(within.mean_of(name)) - total.value_of(total.mean_of(0))) ** 2
        for name in groups
    )
    f, p = _f_test(between, between_df, within.residual_ss, within.df)
    ms_within = within.residual_ss / within.df
    return OneWay(
        between_df,
        within.df,
        between,
        within.residual_ss,
        between / between_df,
        ms_within,
        f,
        p,
        math.sqrt(ms_within),
    )


def welch(groups: Groups) -> OneWay:
    """Return Welch's one-way analysis for groups that scatter differently; every group needs 2 runs and some spread.

    Welch 1951, Biometrika 38, 330-336: groups weighted by n / variance, the within degrees of freedom reduced.
    """
    sizes, means, weights = [], [], []
    for name, values in groups.items():
        mean, variance = _mean_and_variance(name, values)
        if variance == 0:
            raise ValueError(f"{name}: all runs are the same, so their spread cannot be weighted.")
        sizes.append(len(values))
        means.append(mean)
        weights.append(len(values) / variance)
    k, total = len(groups), sum(weights)
    centre = sum(w * m for w, m in zip(weights, means, strict=True)) / total
    lost = sum((1 - w / total) ** 2 / (n - 1) for w, n in zip(weights, sizes, strict=True))
    top = sum(w * (m - centre) ** 2 for w, m in zip(weights, means, strict=True)) / (k - 1)
    f = top / (1 + 2 * (k - 2) / (k * k - 1) * lost)
    df_within = (k * k - 1) / (3 * lost)
    return OneWay(k - 1, df_within, None, None, None, None, f, float(fdtrc(k - 1, df_within, f)), None)


def mean_intervals(groups: Groups, confidence: float = 0.95) -> MeanIntervals:
    """Return each group's mean with an interval from the pooled error: mean +- t s / sqrt(n)."""
    check_level("confidence", confidence)
    whole = one_way(groups)
    t = float(stdtrit(whole.df_within, (1 + confidence) / 2))
    means = {name: math.fsum(values) / len(values) for name, values in groups.items()}
    half = {name: t * whole.residual_sd / math.sqrt(len(values)) for name, values in groups.items()}
    return MeanIntervals(
        means,
        {name: means[name] - half[name] for name in groups},
        {name: means[name] + half[name] for name in groups},
        whole.residual_sd,
        whole.df_within,
    )


def in_blocks(table: Table, confidence: float = 0.95) -> Blocks:
    """Return the analysis of complete randomised blocks, one value per treatment and block.

    Parameters
    ----------
    table : mapping of treatment to values, one per block in the same order
        A missing cell raises ValueError: use `in_blocks_with_missing`.

    Notes
    -----
    value = mean + treatment + block + error; error df (t-1)(b-1); se of a difference sqrt(2 MSE / b); relative
    efficiency ((b-1) MSB + b (t-1) MSE) / ((bt-1) MSE), how many times more runs the same precision would take unblocked.
    """
    check_level("confidence", confidence)
    values, names, rows = _cells(table)
    t, b = len(table), len(next(iter(table.values())))
    if len(values) < t * b:
        raise ValueError("A cell is missing: the treatments must be adjusted for the blocks.")
    both = fit(values, names, rows)
    _check_df(both.df)
    blocks_only, treatments_only = fit(values, rows), fit(values, names)
    ss_treatments = blocks_only.residual_ss - both.residual_ss
    ss_blocks = treatments_only.residual_ss - both.residual_ss
    mse = both.residual_ss / both.df
    f_t, p_t = _f_test(ss_treatments, t - 1, both.residual_ss, both.df)
    f_b, p_b = _f_test(ss_blocks, b - 1, both.residual_ss, both.df)
    se = math.sqrt(2 * mse / b)
    return Blocks(
        ss_treatments=ss_treatments,
        ss_blocks=ss_blocks,
        ss_error=both.residual_ss,
        df_treatments=t - 1,
        df_blocks=b - 1,
        df_error=both.df,
        ms_error=mse,
        f_treatments=f_t,
        p_treatments=p_t,
        f_blocks=f_b,
        p_blocks=p_b,
        means={name: math.fsum(row) / b for name, row in table.items()},
        se_difference=se,
        ci_half_width_difference=float(stdtrit(both.df, (1 + confidence) / 2)) * se,
        relative_efficiency=(ss_blocks + b * (t - 1) * mse) / ((b * t - 1) * mse) if mse > 0 else None,
    )


def in_blocks_with_missing(table: Table, control: Hashable) -> BlocksMissing:
    """Return the analysis of blocks in which some runs failed (None): treatments adjusted for blocks.

    Least squares on what is there; least-squares means predict every cell and average, so each treatment is seen over
    the same blocks. Raw means are given beside them because they compare different blocks. Differences that the
    surviving runs cannot tell raise ValueError.
    """
    values, names, rows = _cells(table)
    both = fit(values, names, rows)
    _check_df(both.df)
    adjusted = fit(values, rows).residual_ss - both.residual_ss
    f, p = _f_test(adjusted, len(both.treatments) - 1, both.residual_ss, both.df)
    mse = both.residual_ss / both.df
    differences = {name: both.difference(name, control) for name in table if name != control}
    for name, combination in differences.items():
        if not both.estimable(combination):
            raise ValueError(f"{name} and {control} are tied together by no block: they cannot be compared.")
    return BlocksMissing(
        df_error=both.df,
        ss_treatments_adjusted_for_blocks=adjusted,
        ss_error=both.residual_ss,
        f_treatments=f,
        p_treatments=p,
        least_squares_means={name: both.value_of(both.mean_of(name)) for name in table},
        raw_means={
            name: math.fsum(x for x in row if x is not None) / sum(x is not None for x in row)
            for name, row in table.items()
        },
        difference_from_control={name: both.value_of(c) for name, c in differences.items()},
        se_difference_from_control={
            name: math.sqrt(mse * both.variance_factor(c)) for name, c in differences.items()
        },
    )


def latin_square(
    treatments_by_row: Sequence[Sequence[Hashable]], values_by_row: Sequence[Sequence[float]]
) -> LatinSquare:
    """Return the analysis of a Latin square: rows and columns both fitted, error df (t-1)(t-2).

    Parameters
    ----------
    treatments_by_row, values_by_row : sequences of sequences, shape (r, t)
        Every row complete, r a whole number of squares one below the other (a Williams plan of an odd number of treatments
        has two): error df is then (r-1)(t-1) - (t-1). Rows of other lengths, and an r that is no multiple of t, raise ValueError.
    """
    size = len(set(treatments_by_row[0]))
    lengths = {len(row) for row in (*treatments_by_row, *values_by_row)}
    if lengths != {size} or len(treatments_by_row) != len(values_by_row) or len(treatments_by_row) % size:
        raise ValueError(
            f"{len(treatments_by_row)} rows with {size} treatments: a square has as many rows as treatments, or a multiple of "
            "that, every row complete and every place with its value."
        )
    names = [name for row in treatments_by_row for name in row]
    values = [value for row in values_by_row for value in row]
    rows = [number for number in range(len(treatments_by_row)) for _ in range(size)]
    columns = list(range(size)) * len(treatments_by_row)
    whole = fit(values, names, rows, columns)
    _check_df(whole.df)
    ss_treatments = fit(values, rows, columns).residual_ss - whole.residual_ss
    f, p = _f_test(ss_treatments, size - 1, whole.residual_ss, whole.df)
    return LatinSquare(
        ss_treatments=ss_treatments,
        ss_rows=fit(values, names, columns).residual_ss - whole.residual_ss,
        ss_columns=fit(values, names, rows).residual_ss - whole.residual_ss,
        ss_error=whole.residual_ss,
        df_error=whole.df,
        f_treatments=f,
        p_treatments=p,
        means={name: whole.value_of(whole.mean_of(name)) for name in sorted(set(names), key=str)},
    )


def _flat(groups: Groups) -> tuple[list[float], list[Hashable]]:
    if len(groups) < 2:
        raise ValueError(f"{len(groups)} groups: a comparison needs at least 2.")
    values = [float(value) for row in groups.values() for value in row]
    return values, [name for name, row in groups.items() for _ in row]


def _cells(table: Table) -> tuple[list[float], list[Hashable], list[int]]:
    found = [
        (float(value), name, block)
        for name, row in table.items()
        for block, value in enumerate(row)
        if value is not None
    ]
    values, names, rows = zip(*found, strict=True)
    return list(values), list(names), list(rows)


def _mean_and_variance(name: Hashable, values: Sequence[float]) -> tuple[float, float]:
    if len(values) < 2:
        raise ValueError(f"{name} has {len(values)} run: its own spread needs at least 2.")
    for value in values:
        if not math.isfinite(value):
            raise ValueError(f"{value} for {name}: every run needs a value; leave a failed one out.")
    mean = math.fsum(values) / len(values)
    return mean, math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)


def _check_df(df: int) -> None:
    if df < 1:
        raise ValueError(
            "No run is left over to show the spread (0 degrees of freedom for the error): more blocks are needed."
        )


def _f_test(ss: float, df: int, ss_error: float, df_error: int) -> tuple[float | None, float | None]:
    if ss_error <= 0 or df < 1:
        return None, None
    f = (ss / df) / (ss_error / df_error)
    return f, float(fdtrc(df, df_error, max(f, 0.0)))
