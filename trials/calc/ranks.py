"""Places in a row of pans, and values without blocks: what the order alone can show, counted exactly where it can be."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import chdtrc, fdtrc, ndtr

from prospecting.calc.checks import numbers
from prospecting.calc.language import phrase

# Shuffles when the exact count is too long; a chance near 0.05 is then known to about 0.001.
SHUFFLES = 40_000
SHUFFLE_SEED = 20_260_102
# Rank-sum vectors times orders of one row, up to which a row is added exactly.
EXACT_STEP = 6_000_000
EXACT_PIECE = 400_000
# Ways to deal values out to groups, up to which all are looked at.
EXACT_DEALS = 400_000
# Columns up to which Page's L is counted exactly (2 to this power subsets).
WIDEST_PAGE = 12
# A group smaller than this is too small for the chi-squared level of Kruskal and Wallis.
SMALL_GROUP = 5
ROUNDING = 1e-9


@dataclass(frozen=True)
class Friedman:
    """Friedman's test of places within rows; F (Iman and Davenport) and its level are None when all rows agree exactly."""

    chi2: float
    df: int
    p_chi2: float
    kendall_w: float
    rank_sums: tuple[float, ...]
    iman_davenport_f: float | None
    p_f: float | None


@dataclass(frozen=True)
class FriedmanCounted:
    """The chance of rank sums at least so far apart; `exact` is False where it was found by shuffling within rows."""

    rank_sum_squares_s: float
    p: float
    exact: bool


@dataclass(frozen=True)
class Concordance:
    """Kendall's W: 0 when the rows share no order, 1 when all have the same one."""

    s: float
    kendall_w: float


@dataclass(frozen=True)
class RankPair:
    """Second minus first of two treatments; levels two-sided, raw and adjusted for all comparisons made together."""

    first: Hashable
    second: Hashable
    rank_sum_difference: float
    p_unadjusted: float
    p_bonferroni: float
    p_holm: float


@dataclass(frozen=True)
class Nemenyi:
    """All pairs by mean rank, judged by the studentised range; `p` has one entry for each (first, second)."""

    mean_ranks: dict[Hashable, float]
    critical_difference_mean_rank: float
    p: dict[tuple[Hashable, Hashable], float]


@dataclass(frozen=True)
class KruskalWallis:
    """Kruskal and Wallis; `p_permutation` is None unless a group is small, `exact` says how it was found."""

    h: float
    df: int
    p_chi2: float
    p_permutation: float | None
    exact: bool | None


@dataclass(frozen=True)
class Page:
    """Page's L for columns in the order expected beforehand; levels one-sided, for a rise.

    `p_exact_one_sided` is the table's level, which knows no ties (a half in L is dropped, the careful side);
    `p_exact_given_ties` counts the orders of the ranks that happened. Both are None beyond the columns that are counted.
    """

    l: float  # noqa: E741
    z: float
    p_normal_one_sided: float
    p_exact_one_sided: float | None
    p_exact_given_ties: float | None


def places(rows: Sequence[Sequence[float]]) -> np.ndarray:
    """Return the places within each row, 1 for the lowest value; equal values share the mean of their places.

    Parameters
    ----------
    rows : sequence of sequences, shape (n, k)
        One row per block, one column per treatment, nothing missing: leave a block with a failed run out beforehand.

    Raises
    ------
    ValueError
        Fewer than 2 rows or 2 columns, rows of different length, a value that is missing or not a number.

    >>> places([[0.2, 0.5, 0.5], [3, 1, 2]]).tolist()
    [[1.0, 2.5, 2.5], [3.0, 1.0, 2.0]]
    """
    table = [numbers(row, f"a value of row {i}") for i, row in enumerate(rows, 1)]
    if len(table) < 2:
        raise ValueError(phrase("{rows} rows: places need at least 2 rows.", rows=len(table)))
    if len({len(row) for row in table}) > 1:
        raise ValueError(
            f"Rows of {sorted({len(row) for row in table})} values: every row holds every treatment once."
        )
    if len(table[0]) < 2:
        raise ValueError(f"{len(table[0])} column: places need at least 2 treatments.")
    return np.array([_ranked(np.array(row)) for row in table])


def friedman(rows: Sequence[Sequence[float]]) -> Friedman:
    """Return Friedman's test: do the treatments take different places in the rows?

    Parameters
    ----------
    rows : sequence of sequences, shape (n, k)
        As in `places`: rows are blocks, columns are treatments.

    Raises
    ------
    ValueError
        Also when every row is one tie.

    Notes
    -----
    chi2 = 12 S / (n k (k+1) - ties), ties = sum of (t^3 - t) / (k - 1); F = (n-1) chi2 / (n (k-1) - chi2) with k-1 and
    (k-1)(n-1) degrees of freedom (Iman and Davenport 1980, Commun. Stat. A9, 571-595; formula as in the project's
    guide to trial statistics). The chi-squared level is poor for few rows: see `friedman_counted`. It takes the rows as
    independent and every order of a row as equally likely if no treatment does anything.

    >>> round(friedman([[1, 3, 2], [1, 2, 3], [1, 3, 2]]).chi2, 3)
    4.667
    """
    ranks = places(rows)
    n, k = ranks.shape
    whole = _concordance(ranks)
    chi2 = n * (k - 1) * whole.kendall_w
    left = n * (k - 1) * (1 - whole.kendall_w)
    # Full agreement leaves no scatter to divide by: F would be infinite and its level 0 whatever the number of rows.
    f = (n - 1) * chi2 / left if left > ROUNDING else None
    return Friedman(
        chi2=chi2,
        df=k - 1,
        p_chi2=float(chdtrc(k - 1, chi2)),
        kendall_w=whole.kendall_w,
        rank_sums=tuple(ranks.sum(axis=0).tolist()),
        iman_davenport_f=f,
        p_f=None if f is None else float(fdtrc(k - 1, (k - 1) * (n - 1), f)),
    )


def kendall_w(rows: Sequence[Sequence[float]]) -> Concordance:
    """Return how far the rows agree on one order, corrected for ties. Arguments and errors as in `friedman`.

    >>> kendall_w([[1, 3, 2], [1, 2, 3], [2, 3, 1], [3, 1, 2]]).kendall_w
    0.0625
    """
    return _concordance(places(rows))


def friedman_counted(
    rows: Sequence[Sequence[float]], rng: np.random.Generator | None = None
) -> FriedmanCounted:
    """Return the exact level of Friedman's test, ties as they fell; by shuffling within rows where the count is too long.

    Parameters
    ----------
    rows : sequence of sequences, shape (n, k)
        As in `places`.
    rng : numpy Generator or None
        For the shuffles; None takes a fixed seed, so that the same rows give the same digits.

    Notes
    -----
    The chance that S, the sum of squared deviations of the rank sums from their mean, is as large as seen or larger when
    all orders of a row are equally likely. Rows are added one after another to the sorted vectors of rank sums: S does
    not care which column is which. The level includes the value seen (one printed routine leaves it out).

    >>> friedman_counted([[2, 1, 3], [1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3]]).p.__round__(4)
    0.0934
    """
    ranks = places(rows)
    _concordance(ranks)
    # Ties give half places; twice the places are whole numbers.
    whole = np.rint(2 * ranks).astype(np.int64)
    centre = whole.sum() / whole.shape[1]
    seen = float(((whole.sum(axis=0) - centre) ** 2).sum())
    p = _exact_spread(whole, centre, seen)
    exact = p is not None
    if p is None:
        dice = rng or np.random.Generator(np.random.PCG64(SHUFFLE_SEED))
        sums = np.zeros((SHUFFLES, whole.shape[1]))
        for row in whole:
            sums += dice.permuted(np.broadcast_to(row, (SHUFFLES, len(row))), axis=1)
        spread = ((sums - centre) ** 2).sum(axis=1)
        # The order that happened counts as one of the shuffles, so no level is ever 0.
        p = (1 + int((spread >= seen - ROUNDING).sum())) / (1 + SHUFFLES)
    return FriedmanCounted(seen / 4, min(1.0, p), exact)


def against_control(
    rows: Sequence[Sequence[float]], treatments: Sequence[Hashable], control: Hashable
) -> list[RankPair]:
    """Return each treatment's rank sum minus the control's with its exact level, raw, Bonferroni and Holm.

    Parameters
    ----------
    rows : sequence of sequences, shape (n, k)
        As in `places`.
    treatments : sequence of hashable, shape (k,)
        Names of the columns, each once; `control` is one of them.

    Notes
    -----
    In a row of k places without ties the difference of two of them is d with chance (k - |d|) / (k (k-1)); the rows are
    convolved (Eisinga, Heskes, Pelzer and Te Grotenhuis 2017, BMC Bioinformatics 18:68). A row with ties adds the
    differences of its own places instead, so the level holds given the ties. Adjusted for k - 1 comparisons.

    >>> [pair.p_unadjusted for pair in against_control([[1, 2], [1, 2], [1, 2]], ["water", "rinse"], "water")]
    [0.25]
    """
    names = _named(rows, treatments)
    if control not in names:
        raise ValueError(f"{control} is none of the treatments {names}.")
    return _exact_pairs(rows, names, [(control, name) for name in names if name != control])


def all_pairs(rows: Sequence[Sequence[float]], treatments: Sequence[Hashable]) -> list[RankPair]:
    """Return every pair of treatments with the exact level of its rank-sum difference, adjusted for all pairs.

    Arguments and method as in `against_control`. Unlike Nemenyi's, a pair's level doesn't hang on the other treatments.

    >>> len(all_pairs([[1, 2, 3], [1, 3, 2]], ["water", "low", "high"]))
    3
    """
    names = _named(rows, treatments)
    return _exact_pairs(rows, names, list(combinations(names, 2)))


def nemenyi(
    rows: Sequence[Sequence[float]], treatments: Sequence[Hashable], confidence: float = 0.95
) -> Nemenyi:
    """Return all pairs after Friedman by Nemenyi's large-sample comparison of mean ranks.

    Parameters
    ----------
    rows, treatments : as in `against_control`
    confidence : float
        Of the critical difference, between 0 and 1.

    Notes
    -----
    Mean ranks differ when further apart than q sqrt(k (k+1) / (12 n)), q the studentised range of k means with known
    spread. Takes no account of ties. Its level for a pair depends on which other treatments sat in the row.

    >>> round(nemenyi([[1, 2, 3]] * 8, ["water", "low", "high"]).critical_difference_mean_rank, 3)
    1.172
    """
    from scipy.stats import studentized_range

    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
    names = _named(rows, treatments)
    ranks = places(rows)
    n, k = ranks.shape
    means = dict(zip(names, ranks.mean(axis=0).tolist(), strict=True))
    unit = math.sqrt(k * (k + 1) / (12 * n))
    return Nemenyi(
        means,
        float(studentized_range.ppf(confidence, k, math.inf)) * unit,
        {
            (first, second): float(
                studentized_range.sf(abs(means[second] - means[first]) / unit, k, math.inf)
            )
            for first, second in combinations(names, 2)
        },
    )


def kruskal(
    groups: Mapping[Hashable, Sequence[float]], rng: np.random.Generator | None = None
) -> KruskalWallis:
    """Return the test of Kruskal and Wallis for runs without blocks.

    Parameters
    ----------
    groups : mapping of treatment to values
        Two or more groups of one value or more; nothing missing.
    rng : numpy Generator or None
        As in `friedman_counted`.

    Raises
    ------
    ValueError
        Fewer than 2 groups, an empty group, a value missing or not a number, all values equal.

    Notes
    -----
    H with the divisor for ties (Kruskal and Wallis 1952). With a group under 5 its chi-squared level is rough, and the
    ways to deal the values out are counted as well, all of them or 40,000 by lot; use that level then. Runs made in blocks
    belong to `friedman`: here the blocks would be taken for scatter.

    >>> kruskal({"water": [1, 2, 3], "rinse": [4, 5, 6]}).p_permutation
    0.1
    """
    table = {name: numbers(values, f"a value of {name}") for name, values in groups.items()}
    if len(table) < 2:
        raise ValueError(f"{len(table)} group: a comparison needs at least 2.")
    sizes = [len(values) for values in table.values()]
    ranks = _ranked(np.array([value for values in table.values() for value in values]))
    total = len(ranks)
    spread = float(((ranks - ranks.mean()) ** 2).sum())
    if spread == 0:
        raise ValueError(f"All {total} values are equal: there is no order to judge.")
    sums = np.add.reduceat(ranks, np.cumsum([0, *sizes[:-1]]))
    between = float((sums**2 / sizes).sum()) - total * ((total + 1) / 2) ** 2
    h = (total - 1) * between / spread
    p, exact = deal_out(ranks, sizes, rng) if min(sizes) < SMALL_GROUP else (None, None)
    return KruskalWallis(h, len(sizes) - 1, float(chdtrc(len(sizes) - 1, h)), p, exact)


def deal_out(
    scores: Sequence[float], sizes: Sequence[int], rng: np.random.Generator | None = None
) -> tuple[float, bool]:
    """Return the chance that group sums lie as far apart as these or farther if values fell into groups by lot.

    Parameters
    ----------
    scores : sequence of float, shape (N,)
        The values of the first group, then of the second, and so on.
    sizes : sequence of int, shape (k,)
        Values in each group.

    Returns
    -------
    float, bool
        The level of the sum of (group sum)^2 / size, and whether every way to deal was looked at.

    >>> deal_out([1, 2, 3, 4], [2, 2])
    (0.3333333333333333, True)
    """
    values = np.asarray(scores, dtype=float)
    values = values - values.mean()
    seen = float((np.add.reduceat(values, np.cumsum([0, *sizes[:-1]])) ** 2 / np.array(sizes)).sum())
    least = seen - ROUNDING * max(1.0, float(values @ values))
    deals = math.factorial(len(values)) // math.prod(math.factorial(size) for size in sizes)
    if deals <= EXACT_DEALS:
        return float((_every_deal(values, sizes) >= least).mean()), True
    dice = rng or np.random.Generator(np.random.PCG64(SHUFFLE_SEED))
    shuffled = dice.permuted(np.broadcast_to(values, (SHUFFLES, len(values))), axis=1)
    sums = np.add.reduceat(shuffled, np.cumsum([0, *sizes[:-1]]), axis=1)
    spread = (sums**2 / np.array(sizes)).sum(axis=1)
    return (1 + int((spread >= least).sum())) / (1 + SHUFFLES), False


def page(rows: Sequence[Sequence[float]]) -> Page:
    """Return Page's test that places rise along the columns.

    Parameters
    ----------
    rows : sequence of sequences, shape (n, k)
        As in `places`, columns in the order expected before anybody looked, lowest first.

    Notes
    -----
    L = sum of column number times rank sum (Page 1963, J. Am. Stat. Assoc. 58, 216-230); mean n k (k+1)^2 / 4, variance
    n k^2 (k+1)^2 (k-1) / 144, no continuity correction. The exact null is the convolution of the rows'. A falling order
    gives a level near 1, not a small one.

    >>> page([[1, 2, 3], [1, 3, 2], [1, 2, 3], [2, 1, 3]]).l
    54.0
    """
    ranks = places(rows)
    _concordance(ranks)
    n, k = ranks.shape
    found = float(ranks.sum(axis=0) @ np.arange(1, k + 1))
    z = (found - n * k * (k + 1) ** 2 / 4) / math.sqrt(n * k**2 * (k + 1) ** 2 * (k - 1) / 144)
    untied = np.broadcast_to(np.arange(1.0, k + 1), ranks.shape)
    return Page(found, z, float(ndtr(-z)), _page_tail(untied, math.floor(found)), _page_tail(ranks, found))


def _ranked(values: np.ndarray) -> np.ndarray:
    below = (values[None, :] < values[:, None]).sum(axis=1)
    up_to = (values[None, :] <= values[:, None]).sum(axis=1)
    return (below + up_to + 1) / 2


def _concordance(ranks: np.ndarray) -> Concordance:
    n, k = ranks.shape
    s = float(((ranks.sum(axis=0) - n * (k + 1) / 2) ** 2).sum())
    # The most S could be, given the ties of each row: n times the sum of squares within rows.
    most = n * float(((ranks - (k + 1) / 2) ** 2).sum())
    if most == 0:
        raise ValueError(phrase("Every row is one tie: there is no order to judge."))
    return Concordance(s, s / most)


def _named(rows, treatments) -> list[Hashable]:
    names = list(treatments)
    width = {len(row) for row in rows}
    if width != {len(names)}:
        raise ValueError(f"{len(names)} names for rows of {sorted(width)} values: one name for each column.")
    if len(set(names)) != len(names):
        raise ValueError(f"{names}: each treatment is named once.")
    return names


def _orders(row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The different orders of a row and the chance of each."""
    found = {(): 1.0}
    counts = {value: int((row == value).sum()) for value in set(row.tolist())}
    for left in range(len(row), 0, -1):
        longer = {}
        for order, chance in found.items():
            for value, count in counts.items():
                still = count - order.count(value)
                if still:
                    longer[(*order, value)] = chance * still / left
        found = longer
    return np.array(list(found)), np.array(list(found.values()))


def _exact_spread(whole: np.ndarray, centre: float, seen: float) -> float | None:
    """The chance of a spread of rank sums of at least `seen`, or None where the count is too long."""
    k = whole.shape[1]
    if math.factorial(k) > EXACT_STEP:
        return None
    side = int(whole.sum()) + 1
    if k * math.log2(side) > 62:
        return None
    digits = side ** np.arange(k, dtype=np.int64)
    known: dict[tuple, tuple[np.ndarray, np.ndarray]] = {}
    # Every column is as good as another: the first row may stand as it is.
    sums, chances = np.sort(whole[:1], axis=1), np.ones(1)
    for row in whole[1:]:
        key = tuple(sorted(row.tolist()))
        if key not in known:
            known[key] = _orders(row)
        orders, weight = known[key]
        if len(sums) * len(orders) > EXACT_STEP:
            return None
        codes, chances = _row_added(sums, chances, orders, weight, digits)
        sums = codes[:, None] // digits % side
    spread = ((sums - centre) ** 2).sum(axis=1)
    return float(chances[spread >= seen - ROUNDING].sum())


def _row_added(sums, chances, orders, weight, digits) -> tuple[np.ndarray, np.ndarray]:
    """The sorted vectors of rank sums with one more row, as one number each, and their chances."""
    known, carried = [], []
    # In pieces: all of them at once would need hundreds of megabytes.
    step = max(1, EXACT_PIECE // len(sums))
    for start in range(0, len(orders), step):
        moved = sums[:, None, :] + orders[None, start : start + step, :]
        moved = np.sort(moved.reshape(-1, len(digits)), axis=1)
        codes, where = np.unique(moved @ digits, return_inverse=True)
        mass = np.outer(chances, weight[start : start + step]).ravel()
        known.append(codes)
        carried.append(np.bincount(where, weights=mass, minlength=len(codes)))
    codes, where = np.unique(np.concatenate(known), return_inverse=True)
    return codes, np.bincount(where, weights=np.concatenate(carried), minlength=len(codes))


def _exact_pairs(rows, names, wanted) -> list[RankPair]:
    ranks = places(rows)
    tail = _difference_tail(np.rint(2 * ranks).astype(int))
    sums = dict(zip(names, ranks.sum(axis=0).tolist(), strict=True))
    raw = {pair: tail(sums[pair[1]] - sums[pair[0]]) for pair in wanted}
    holm, largest = {}, 0.0
    for step, pair in enumerate(sorted(wanted, key=raw.get)):
        largest = max(largest, min(1.0, (len(wanted) - step) * raw[pair]))
        holm[pair] = largest
    return [
        RankPair(
            *pair, sums[pair[1]] - sums[pair[0]], raw[pair], min(1.0, len(wanted) * raw[pair]), holm[pair]
        )
        for pair in wanted
    ]


def _difference_tail(whole: np.ndarray):
    """The chance of a difference of two rank sums at least as far from 0, as a function of it."""
    k = whole.shape[1]
    chances = np.ones(1)
    for row in whole:
        reach = int(np.ptp(row))
        steps = np.zeros(2 * reach + 1)
        for i in range(k):
            for j in range(k):
                if i != j:
                    steps[row[i] - row[j] + reach] += 1 / (k * (k - 1))
        chances = np.convolve(chances, steps)
    reach = len(chances) // 2
    distance = np.abs(np.arange(-reach, reach + 1))

    def tail(difference: float) -> float:
        return min(1.0, float(chances[distance >= round(2 * abs(difference))].sum()))

    return tail


def _every_deal(values: np.ndarray, sizes: Sequence[int]) -> np.ndarray:
    """The sum of (group sum)^2 / size for every way to deal the values out."""
    left, spread = values[None, :], np.zeros(1)
    for size in sizes[:-1]:
        count = left.shape[1]
        taken = np.array(list(combinations(range(count), size)))
        stays = np.ones((len(taken), count), dtype=bool)
        np.put_along_axis(stays, taken, False, axis=1)
        kept = np.nonzero(stays)[1].reshape(len(taken), count - size)
        spread = (spread[:, None] + left[:, taken].sum(axis=2) ** 2 / size).ravel()
        left = left[:, kept].reshape(len(spread), count - size)
    return spread + left.sum(axis=1) ** 2 / sizes[-1]


def _page_tail(ranks: np.ndarray, seen: float) -> float | None:
    """The chance of an L of at least `seen`, all orders of each row's ranks equally likely."""
    k = ranks.shape[1]
    if k > WIDEST_PAGE:
        return None
    known: dict[tuple, np.ndarray] = {}
    chances = np.ones(1)
    for row in np.rint(2 * ranks).astype(int):
        key = tuple(sorted(row.tolist()))
        if key not in known:
            known[key] = _page_row(key)
        chances = np.convolve(chances, known[key])
    return min(1.0, float(chances[round(2 * seen) :].sum()))


def _page_row(row: tuple[int, ...]) -> np.ndarray:
    """Chances of sum of (column number times doubled rank) in one row: ranks dealt to columns, subset by subset."""
    k = len(row)
    longest = sum(place * rank for place, rank in enumerate(row, 1)) + 1
    ways = {0: np.zeros(longest)}
    ways[0][0] = 1.0
    for column in range(1, k + 1):
        longer: dict[int, np.ndarray] = {}
        for used, sums in ways.items():
            for i, rank in enumerate(row):
                if not used >> i & 1:
                    step = column * rank
                    into = longer.setdefault(used | 1 << i, np.zeros(longest))
                    into[step:] += sums[: longest - step] / (k - column + 1)
        ways = longer
    return ways[(1 << k) - 1]
