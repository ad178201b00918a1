"""Doses in their order: does more give more, and which is the least that is shown to work?"""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr, stdtr

from prospecting.calc.checks import numbers
from prospecting.calc.language import phrase
from trials.calc.least_squares import Fit, fit
from trials.calc.simultaneous import adjusted_p, chi_nodes, find_root, t_quantile

# Ways the runs counted so far can lie in the groups, times the size of J, up to which tied runs are counted exactly.
EXACT_STATES = 4_000_000
# The integrals behind Williams' critical values: how many spreads they reach, nodes on each panel, and the width of a panel
# in units of the finest step.
REACH = 8.5
NODES = 16
PANEL = 5.0
MOST_PANELS = 100

Groups = Mapping[Hashable, Sequence[float]]


@dataclass(frozen=True)
class Jonckheere:
    """Jonckheere and Terpstra's J with levels for a rise; the exact one counts ties as they fell (None: too many ways)."""

    j: float
    mean_j: float
    var_j: float
    z: float
    p_normal_one_sided_increasing: float
    p_exact_one_sided_increasing: float | None


@dataclass(frozen=True)
class Williams:
    """Williams' test of rising doses, lists in the order of the doses, the control left out.

    `critical_t` are one-sided, for as many doses as lie up to each; `p` likewise, each dose for itself. `shown` holds for
    the doses reached going down from the top while each is significant; `least` is the place of the lowest of them.
    """

    isotonic_means_of_doses: tuple[float, ...]
    t_bar: tuple[float, ...]
    critical_t: tuple[float, ...]
    p: tuple[float, ...]
    shown: tuple[bool, ...]
    least: int | None
    df: float


@dataclass(frozen=True)
class StepDown:
    """One-sided t of each dose against the control, top dose first, and the lowest reached without a failure."""

    t: dict[Hashable, float]
    p_one_sided: dict[Hashable, float]
    shown: tuple[Hashable, ...]
    minimum_effective_dose: Hashable | None
    df: int


@dataclass(frozen=True)
class TopDose:
    """How far the top dose lies below the lower doses: methods that suppose a rise are wrong where it does.

    `drop` is the mean of `best` minus that of the top dose; the level is one-sided and judges all lower doses together.
    """

    top: Hashable
    best: Hashable
    drop: float
    t: float
    p_adjusted: float


def jonckheere(groups: Groups) -> Jonckheere:
    """Return the test that values rise with the dose, runs without blocks.

    Parameters
    ----------
    groups : mapping of dose to values
        In rising order of dose, control first; two groups or more, one value or more each, nothing missing. Below-scale
        runs may all be given as one value lower than every weight.

    Raises
    ------
    ValueError
        Fewer than 2 groups, an empty group, a value missing or not a number, all values equal.

    Notes
    -----
    J counts the pairs of runs in which the higher dose gave more, ties one half (Terpstra 1952; Jonckheere 1954,
    Biometrika 41, 133-145); mean (N^2 - sum n^2) / 4, variance corrected for ties (Hollander and Wolfe; from memory).
    Exact: without ties the convolution of Mann and Whitney's counts, with ties every way to deal the tied values out. The
    exact level is the one to use where there is one.

    >>> round(jonckheere({"0": [1, 2], "1": [3, 4], "2": [5, 6]}).p_exact_one_sided_increasing, 5)
    0.01111
    """
    table = _table(groups)
    samples = [np.array(values) for values in table.values()]
    sizes = np.array([len(values) for values in samples])
    pooled = np.concatenate(samples)
    _, ties = np.unique(pooled, return_counts=True)
    if len(ties) == 1:
        raise ValueError(
            phrase("All {values} values are equal: there is no order to judge.", values=len(pooled))
        )
    j = sum(_wins(low, high) for i, low in enumerate(samples) for high in samples[i + 1 :])
    total = len(pooled)
    mean = (total**2 - float((sizes**2).sum())) / 4
    variance = _variance_of_j(total, sizes, ties)
    z = (j - mean) / math.sqrt(variance)
    exact = _untied_tail(sizes, j) if ties.max() == 1 else _tied_tail(sizes, ties, j)
    return Jonckheere(j, mean, variance, z, float(ndtr(-z)), exact)


def isotonic_means(means: Sequence[float], weights: Sequence[float]) -> list[float]:
    """Return the rising sequence nearest to the means (least squares, neighbours pooled).

    Parameters
    ----------
    means : sequence of float, shape (k,)
        In rising order of dose.
    weights : sequence of float, shape (k,)
        Above 0: replicates of each.

    Raises
    ------
    ValueError
        Lists of different length, a value missing or not a number, a weight not above 0.

    >>> isotonic_means([3.0, 2.0, 4.0], [1, 1, 1])
    [2.5, 2.5, 4.0]
    """
    from scipy.optimize import isotonic_regression

    values, held = numbers(means, "a mean"), numbers(weights, "a weight", above=0)
    if len(values) != len(held):
        raise ValueError(f"{len(values)} means and {len(held)} weights: one weight for each mean.")
    return isotonic_regression(values, weights=held).x.tolist()


def williams(
    means: Sequence[float],
    n_per_group: Sequence[int],
    pooled_variance: float,
    df_error: float,
    confidence: float = 0.95,
) -> Williams:
    """Return Williams' test for a rise over the control from means and the error variance.

    Parameters
    ----------
    means, n_per_group : sequences, shape (k + 1,)
        The control first, then the doses in rising order; runs in each, 1 or more.
    pooled_variance : float
        Error variance of one run, above 0.
    df_error : float
        Its degrees of freedom, 1 or more; infinite where it is known.
    confidence : float
        One-sided.

    Raises
    ------
    ValueError
        Lists of different length, no dose, a value missing or out of its range.

    Notes
    -----
    The dose means are pooled into a rising sequence, the control stays out; t-bar = (pooled mean - control) /
    (s sqrt(1/n_i + 1/n_0)), judged from the top down (Williams 1971, Biometrics 27, 103-117; 1972, Biometrics 28,
    519-531). Critical values are integrated for these very numbers of runs (`williams_critical`). Supposes that more never
    gives less: look at `top_dose` first.

    >>> williams([3.2, 3.1, 4.4, 4.2, 5.0], [6, 4, 4, 4, 3], 0.81, 16).least
    1
    """
    values, runs = (
        numbers(means, "a mean", least=2),
        numbers(n_per_group, "a number of runs", above=0, least=2),
    )
    if len(values) != len(runs):
        raise ValueError(f"{len(values)} means and {len(runs)} numbers of runs: one for each.")
    if not (pooled_variance > 0 and math.isfinite(pooled_variance)):
        raise ValueError(f"{pooled_variance} as error variance: it must be a number above 0.")
    if not df_error >= 1:
        raise ValueError(f"{df_error} degrees of freedom: the error needs at least 1.")
    pooled = isotonic_means(values[1:], runs[1:])
    sd = math.sqrt(pooled_variance)
    t_bar, critical, p = [], [], []
    for i, mean in enumerate(pooled, 1):
        t = (mean - values[0]) / (sd * math.sqrt(1 / runs[i] + 1 / runs[0]))
        t_bar.append(t)
        p.append(1 - williams_chance(t, runs[1 : i + 1], runs[0], df_error))
        critical.append(williams_critical(runs[1 : i + 1], runs[0], df_error, confidence))
    shown = [False] * len(pooled)
    for i in reversed(range(len(pooled))):
        if not t_bar[i] > critical[i]:
            break
        shown[i] = True
    least = shown.index(True) if any(shown) else None
    return Williams(tuple(pooled), tuple(t_bar), tuple(critical), tuple(p), tuple(shown), least, df_error)


def williams_of_runs(
    values: Sequence[float],
    doses: Sequence[Hashable],
    order: Sequence[Hashable],
    blocks: Sequence[Hashable] | None = None,
    confidence: float = 0.95,
) -> Williams:
    """Return Williams' test from the runs themselves, blocks in the model.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        Usually ln(mg), so that differences are ratios. Nothing missing.
    doses : sequence of hashable, shape (n,)
    order : sequence of hashable
        The control, then the doses, lowest first; every dose of `doses`, each once.
    blocks : sequence of hashable, shape (n,), or None for runs without blocks
        Every dose equally often in every block; otherwise ValueError: with cells missing the dose means hang together in
        ways the test doesn't know. Use `step_down` then.

    >>> runs = [2.8, 3.5, 3.1, 3.3, 4.6, 5.2]
    >>> williams_of_runs(runs, ["0", "0", "low", "low", "high", "high"], ["0", "low", "high"]).shown
    (False, True)
    """
    found = _fitted(values, doses, order, blocks)
    if blocks is not None:
        cells = [(dose, block) for dose in order for block in dict.fromkeys(blocks)]
        runs = list(zip(doses, blocks, strict=True))
        if len({runs.count(cell) for cell in cells}) != 1:
            raise ValueError(
                phrase(
                    "Williams' test needs every dose equally often in every block: use the step-down by t."
                )
            )
    return williams(
        [found.value_of(found.mean_of(dose)) for dose in order],
        [found.runs_of(dose) for dose in order],
        found.residual_ss / found.df,
        found.df,
        confidence,
    )


def williams_critical(
    n_of_doses: Sequence[float], n_of_control: float, df: float, confidence: float = 0.95
) -> float:
    """Return the one-sided critical value of the highest of these doses.

    Parameters
    ----------
    n_of_doses : sequence of float, shape (k,)
        Runs of the doses, lowest first.
    n_of_control, df, confidence : float

    >>> round(williams_critical([1] * 6, 1, 40), 2)  # 1.81 in the printed table of 1972
    1.81
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
    low = t_quantile(confidence, df)
    if len(n_of_doses) == 1:
        return low
    # Pooling can only raise the top mean; it never does so more than the best of k would.
    high = t_quantile(1 - (1 - confidence) / len(n_of_doses), df) + 0.5
    return find_root(
        lambda t: williams_chance(t, n_of_doses, n_of_control, df) - confidence,
        min(low, 0.0) - 1.0,
        high,
        tolerance=1e-9,
    )


def williams_chance(t: float, n_of_doses: Sequence[float], n_of_control: float, df: float) -> float:
    """Return the chance that t-bar of the highest of these doses stays at or below t when no dose does anything.

    Notes
    -----
    The pooled mean of the top dose is the largest of the running means of the top 1, 2, ... k doses. Running means of
    independent normal values are a Brownian path looked at at the times 1 / (runs pooled), last to first, and the control
    is one more step of it: a chain of k one-dimensional integrals over the distance below the limit, then one over the
    estimated spread.

    >>> round(williams_chance(1.0, [5], 5, 8), 4)  # one dose is Student's t
    0.8267
    """
    if not df >= 1:
        raise ValueError(f"{df} degrees of freedom: the error needs at least 1.")
    runs = numbers(n_of_doses, "a number of runs", above=0)
    (control,) = numbers([n_of_control], "a number of runs", above=0)
    unit = math.sqrt(1 / runs[-1] + 1 / control)
    start = math.sqrt(1 / math.fsum(runs) + 1 / control)
    below, reach, stays = _path(tuple(runs), unit)
    s, s_weight = chi_nodes(df)
    limit = t * unit * s
    chance = _normal_steps(limit, below, start) @ stays + ndtr((limit - reach) / start)
    return min(1.0, max(0.0, float(s_weight @ chance)))


@lru_cache(maxsize=64)
def _path(runs: tuple[float, ...], unit: float) -> tuple[np.ndarray, float, np.ndarray]:
    """Distances below the limit, the farthest of them, and the chance to stay below it from there on (times its weight).

    The path runs from the mean of all doses to the top dose alone.
    """
    pooled = np.cumsum(runs[::-1])
    steps = np.sqrt(1 / pooled[:-1] - 1 / pooled[1:])
    reach = REACH * unit
    finest = float(steps.min()) if len(steps) else unit
    panels = max(4, math.ceil(reach / (PANEL * finest)))
    if panels > MOST_PANELS:
        raise ValueError(
            phrase(
                "{runs} runs of the doses: too unequal for Williams' critical values.",
                runs=list(map(float, runs)),
            )
        )
    x, weight = np.polynomial.legendre.leggauss(NODES)
    width = reach / panels
    below = ((np.arange(panels)[:, None] + (x + 1) / 2) * width).ravel()
    weight = np.tile(weight * width / 2, panels)
    stays = np.ones(len(below))
    for step in steps:
        # From beyond the reach the path no longer comes back over the limit.
        stays = _normal_steps(below, below, step) @ (weight * stays) + ndtr((below - reach) / step)
    return below, reach, weight * stays


def _normal_steps(start: np.ndarray, end: np.ndarray, sd: float) -> np.ndarray:
    return np.exp(-(((end[None, :] - start[:, None]) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))


def step_down(
    values: Sequence[float],
    doses: Sequence[Hashable],
    order: Sequence[Hashable],
    blocks: Sequence[Hashable] | None = None,
    alpha: float = 0.05,
) -> StepDown:
    """Return the least effective dose by a fixed sequence: from the top dose down, stopping at the first failure.

    Parameters
    ----------
    values, doses, order, blocks : as in `williams_of_runs`, but cells may be missing
    alpha : float
        One-sided level of each test; the fixed order needs no further correction.

    Raises
    ------
    ValueError
        A value missing or not a number, `order` that doesn't name every dose once, no dose besides the control, no run
        left over for the spread, runs of one dose that agree exactly, a dose that no block ties to the control.

    Notes
    -----
    t from the pooled error with blocks in the model. The least effective dose is None when the top dose fails. A lower dose
    with a lucky p after a failure isn't claimed. Needs no rising curve. The true least dose lies between the one named
    and the next below.

    >>> runs = [2.8, 3.5, 3.1, 3.3, 4.6, 5.2]
    >>> step_down(runs, ["0", "0", "low", "low", "high", "high"], ["0", "low", "high"]).minimum_effective_dose
    'high'
    """
    if not 0 < alpha < 1:
        raise ValueError(f"alpha {alpha}: it must lie between 0 and 1.")
    found = _fitted(values, doses, order, blocks)
    sd = math.sqrt(found.residual_ss / found.df)
    t, p, shown = {}, {}, []
    for dose in reversed(order[1:]):
        row = _estimable(found, dose, order[0])
        t[dose] = found.value_of(row) / (sd * math.sqrt(found.variance_factor(row)))
        p[dose] = float(stdtr(found.df, -t[dose]))
        if len(shown) == len(t) - 1 and p[dose] < alpha:
            shown.append(dose)
    return StepDown(t, p, tuple(shown), shown[-1] if shown else None, found.df)


def top_dose(
    values: Sequence[float],
    doses: Sequence[Hashable],
    order: Sequence[Hashable],
    blocks: Sequence[Hashable] | None = None,
) -> TopDose:
    """Return whether the top dose fell below a lower one: to be looked at before any method that supposes a rise.

    Arguments and errors as in `step_down`; two doses or more besides the control.

    Notes
    -----
    One-sided t of every lower dose above the top one, judged by the largest (Dunnett, the top dose as the one compared
    with). A large level doesn't show that the curve rises.

    >>> runs = [3.0, 3.2, 5.0, 5.2, 3.1, 3.3]
    >>> top_dose(runs, ["0", "0", "low", "low", "high", "high"], ["0", "low", "high"]).best
    'low'
    """
    found = _fitted(values, doses, order, blocks)
    if len(order) < 3:
        raise ValueError(f"{len(order) - 1} dose: a fall at the top needs at least 2.")
    lower = order[1:-1]
    rows = {dose: _estimable(found, dose, order[-1]) for dose in lower}
    sd = math.sqrt(found.residual_ss / found.df)
    t = {
        dose: found.value_of(row) / (sd * math.sqrt(found.variance_factor(row))) for dose, row in rows.items()
    }
    best = max(lower, key=t.get)
    level = adjusted_p(t[best], found.correlation(list(rows.values())), found.df, sides=1)
    return TopDose(order[-1], best, found.value_of(rows[best]), t[best], level)


def runs_of_groups(groups: Groups) -> tuple[list[float], list[Hashable], list[Hashable]]:
    """Return values, doses and order of a table by dose, for the functions that take runs.

    >>> runs_of_groups({"0": [1.0], "1": [2.0, 3.0]})
    ([1.0, 2.0, 3.0], ['0', '1', '1'], ['0', '1'])
    """
    table = _table(groups)
    return (
        [value for values in table.values() for value in values],
        [dose for dose, values in table.items() for _ in values],
        list(table),
    )


def _table(groups: Groups) -> dict[Hashable, list[float]]:
    if len(groups) < 2:
        raise ValueError(f"{len(groups)} group: an order needs at least 2.")
    return {dose: numbers(values, f"a value of {dose}") for dose, values in groups.items()}


def _fitted(values, doses, order, blocks) -> Fit:
    found = numbers(values, "a value of a run")
    if len(set(order)) != len(order) or set(order) != set(doses):
        raise ValueError(
            f"{list(order)} for runs of {sorted(set(doses), key=str)}: the order names every dose once."
        )
    if len(order) < 2:
        raise ValueError("No dose besides the control.")
    where = [1] * len(found) if blocks is None else list(blocks)
    if not len(found) == len(doses) == len(where):
        raise ValueError(
            f"{len(found)} values, {len(doses)} doses, {len(where)} blocks: one of each for every run."
        )
    whole = fit(found, doses, where)
    if whole.df < 1:
        raise ValueError(
            phrase(
                "{runs} runs leave {df} degrees of freedom: no run is left to show the spread.",
                runs=len(found),
                df=whole.df,
            )
        )
    if whole.residual_ss == 0:
        raise ValueError(phrase("The runs of each dose agree exactly: there is no spread to judge by."))
    return whole


def _estimable(found: Fit, dose: Hashable, other: Hashable) -> np.ndarray:
    row = found.difference(dose, other)
    if not found.estimable(row):
        raise ValueError(
            phrase("No block ties {dose} to {other}: they cannot be compared.", dose=dose, other=other)
        )
    return row


def _wins(low: np.ndarray, high: np.ndarray) -> float:
    return float((low[:, None] < high[None, :]).sum() + (low[:, None] == high[None, :]).sum() / 2)


def _variance_of_j(total: int, sizes: np.ndarray, ties: np.ndarray) -> float:
    """Given the ties; the terms beyond the first are 0 without them."""

    def cubic(n) -> float:
        return float((n * (n - 1) * (2 * n + 5)).sum())

    def third(n) -> float:
        return float((n * (n - 1) * (n - 2)).sum())

    def second(n) -> float:
        return float((n * (n - 1)).sum())

    n = float(total)
    found = (n * (n - 1) * (2 * n + 5) - cubic(sizes) - cubic(ties)) / 72
    if total > 2:
        found += third(sizes) * third(ties) / (36 * n * (n - 1) * (n - 2))
    return found + second(sizes) * second(ties) / (8 * n * (n - 1))


def _untied_tail(sizes: np.ndarray, j: float) -> float:
    """J is a sum of independent counts of Mann and Whitney: each group against all lower ones together."""
    chances = np.ones(1)
    below = int(sizes[0])
    for size in sizes[1:].tolist():
        chances = np.convolve(chances, _mann_whitney(below, size))
        below += size
    return min(1.0, float(chances[round(j) :].sum()))


def _mann_whitney(m: int, n: int) -> np.ndarray:
    """Chances of the count of pairs won: the product over i of (1 - x^(m+i)) / (1 - x^i), divided by its sum."""
    # Counted in whole numbers: as floats the divisions would lose digits.
    length = m * n + 1
    ways = [1] + [0] * (length - 1)
    for i in range(1, n + 1):
        for k in range(length - 1, m + i - 1, -1):
            ways[k] -= ways[k - m - i]
        for k in range(i, length):
            ways[k] += ways[k - i]
    total = math.comb(m + n, n)
    return np.array([way / total for way in ways])


def _tied_tail(sizes: np.ndarray, ties: np.ndarray, j: float) -> float | None:
    """Deal each set of equal values out to the groups, lowest first; twice J is whole."""
    groups = len(sizes)
    highest = int(2 * sum(sizes[i] * sizes[k] for i in range(groups) for k in range(i + 1, groups)))
    if math.prod(int(size) + 1 for size in sizes) * (highest + 1) > EXACT_STATES:
        return None
    states = {(0,) * groups: np.ones(1)}
    for count in ties.tolist():
        longer: dict[tuple, np.ndarray] = {}
        for held, ways in states.items():
            for dealt in _deals(count, [int(size) - have for size, have in zip(sizes, held, strict=True)]):
                gain = sum(
                    dealt[k] * (2 * held[i] + dealt[i]) for i in range(groups) for k in range(i + 1, groups)
                )
                weight = math.exp(
                    float(gammaln(count + 1)) - math.fsum(float(gammaln(part + 1)) for part in dealt)
                )
                now = tuple(have + part for have, part in zip(held, dealt, strict=True))
                into = longer.get(now, np.zeros(0))
                if len(into) < gain + len(ways):
                    into = np.concatenate([into, np.zeros(gain + len(ways) - len(into))])
                into[gain : gain + len(ways)] += weight * ways
                longer[now] = into
        states = longer
    (ways,) = states.values()
    return min(1.0, float(ways[round(2 * j) :].sum() / ways.sum()))


def _deals(count: int, room: list[int]):
    """Every way to deal `count` equal values out to groups with so much room."""
    if len(room) == 1:
        if count <= room[0]:
            yield (count,)
        return
    for first in range(min(count, room[0]) + 1):
        for rest in _deals(count - first, room[1:]):
            yield (first, *rest)
