"""The largest of several t values that share one control: critical values and adjusted levels (Dunnett 1955).

Everything here is deterministic: the same trial gives the same digits each time it is looked at.
"""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.special import gammainccinv, gammaincinv, gammaln, ndtr, ndtri, stdtr, stdtrit

NORMAL_REACH = 8.0
TAIL = 1e-13
# Steps of the even grids, in units of the width of what is summed; an even grid over a whole bell converges very fast.
CHI_STEP = 0.4
WIDEST_CHI_STEP = 0.15
NORMAL_STEP = 0.75
CUT_NODES = 128
# Points of the lattice for correlations without product structure; the error is checked in the tests (under 1e-4).
LATTICE_POINTS = 4096
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)


def find_root(function: Callable[[float], float], low: float, high: float, tolerance: float = 1e-11) -> float:
    """Return where `function` crosses 0 between `low` and `high` (Illinois form of the false position).

    Raises ValueError when both ends have the same sign.
    """
    f_low, f_high = function(low), function(high)
    if f_low == 0:
        return low
    if f_high == 0:
        return high
    if (f_low > 0) == (f_high > 0):
        raise ValueError(f"No change of sign between {low} and {high}.")
    side = 0
    for step in range(200):
        # Every fourth step halves the span, so a flat end cannot stall it.
        middle = (low + high) / 2 if step % 4 == 3 else (f_high * low - f_low * high) / (f_high - f_low)
        f_middle = function(middle)
        if f_middle == 0 or abs(high - low) <= tolerance * max(1.0, abs(middle)):
            return middle
        if (f_middle > 0) == (f_high > 0):
            high, f_high = middle, f_middle
            if side == 1:
                f_low /= 2
            side = 1
        else:
            low, f_low = middle, f_middle
            if side == -1:
                f_high /= 2
            side = -1
    return (low + high) / 2


def t_quantile(probability: float, df: float) -> float:
    """Return the quantile of Student's t; infinite df gives the normal one."""
    return float(ndtri(probability)) if math.isinf(df) else float(stdtrit(df, probability))


def t_two_sided(t: float, df: float) -> float:
    """Return the chance of a t at least this far from 0, on either side."""
    return float(2 * (ndtr(-abs(t)) if math.isinf(df) else stdtr(df, -abs(t))))


@lru_cache(maxsize=256)
def chi_nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Return nodes s and weights for averages over s = estimated sd / true sd with `df` degrees of freedom.

    An even grid in ln s, where the density is smooth for every df. Infinite df: s is 1.
    """
    if math.isinf(df):
        return np.ones(1), np.ones(1)
    low, high = _chi_ends(df)
    steps = math.ceil((high - low) / min(WIDEST_CHI_STEP, CHI_STEP / math.sqrt(2 * df)))
    log_s = np.linspace(low, high, steps + 1)
    return np.exp(log_s), (high - low) / steps * _chi_density(log_s, df)


def chi_nodes_below(df: float, largest: float) -> tuple[np.ndarray, np.ndarray]:
    """Return nodes and weights for sums over s up to `largest` only (Gauss-Legendre in ln s)."""
    low, high = _chi_ends(df)
    high = min(high, math.log(largest))
    if high <= low:
        return np.ones(1), np.zeros(1)
    x, weight = _cut_nodes()
    log_s = low + (x + 1) / 2 * (high - low)
    return np.exp(log_s), weight * (high - low) / 2 * _chi_density(log_s, df)


@lru_cache(maxsize=1)
def _cut_nodes() -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(CUT_NODES)


def _chi_ends(df: float) -> tuple[float, float]:
    """ln s below and above which nothing of weight lies."""
    half = df / 2
    low, high = float(gammaincinv(half, TAIL)), float(gammainccinv(half, TAIL))
    return 0.5 * math.log(max(low, 1e-280) / half), 0.5 * math.log(high / half)


def _chi_density(log_s: np.ndarray, df: float) -> np.ndarray:
    half = df / 2
    # half (ln half - 1) - ln gamma(half) and the rest are kept apart: for large df each alone is huge.
    level = math.log(2) + half * math.log(half) - half - float(gammaln(half))
    return np.exp(level + half * (2 * log_s - np.expm1(2 * log_s)))


def _normal_nodes(load: np.ndarray, sides: int) -> tuple[np.ndarray, np.ndarray]:
    """An even grid over the control's deviation, finer where correlations near 1 make the integrand steep.

    |t| does not know the deviation's sign, so for two sides half the grid stands for both halves.
    """
    steepest = float((load**2 / (1 - load**2)).max())
    step = NORMAL_STEP / math.sqrt(1 + steepest)
    count = math.ceil(NORMAL_REACH / step)
    z = np.linspace(-NORMAL_REACH, NORMAL_REACH, 2 * count + 1)
    weight = NORMAL_REACH / count * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    if sides == 1:
        return z, weight
    return z[count:], np.concatenate([weight[count : count + 1], 2 * weight[count + 1 :]])


def _loadings(correlation: np.ndarray) -> tuple[np.ndarray, bool]:
    """`loadings`, found once for all the limits asked of one trial."""
    return _loadings_of(correlation.tobytes(), len(correlation))


@lru_cache(maxsize=64)
def _loadings_of(correlation: bytes, size: int) -> tuple[np.ndarray, bool]:
    return loadings(np.frombuffer(correlation).reshape(size, size))


def loadings(correlation: np.ndarray) -> tuple[np.ndarray, bool]:
    """Return l with correlation_ij near l_i l_j for i != j, and whether it is exactly so.

    Balanced trials (all 0.5) and trials without blocks have exactly this structure; missing runs in blocks may break it.
    """
    size = len(correlation)
    if size == 1:
        return np.zeros(1), True
    off = correlation - np.diag(np.diag(correlation))
    if size == 2:
        return np.full(2, math.sqrt(max(0.0, off[0, 1]))), off[0, 1] >= 0
    found = _triads(off)
    for _ in range(500):
        before = found
        found = np.clip((off @ found) / np.maximum(found @ found - found**2, 1e-12), 0, 0.995)
        found = (found + before) / 2
        if np.abs(found - before).max() < 1e-13:
            break
    product = np.outer(found, found) - np.diag(found**2)
    return found, bool(np.abs(product - off).max() < 1e-9)


def _triads(off: np.ndarray) -> np.ndarray:
    """l_i^2 = r_ij r_ik / r_jk with two others: at once right where the structure holds, else somewhere to start."""
    size = len(off)
    others = [[k for k in range(size) if k != i][:2] for i in range(size)]
    squares = [off[i, j] * off[i, k] / off[j, k] if off[j, k] > 0 else 0.0 for i, (j, k) in enumerate(others)]
    return np.sqrt(np.clip(squares, 1e-6, 0.99))


def chance_all_within(limit: float, correlation: np.ndarray, df: float, sides: int = 2) -> float:
    """Return the chance that every t stays within `limit` when no treatment does anything.

    Parameters
    ----------
    limit : float
        For two sides the largest |t|, for one side the largest t.
    correlation : ndarray, shape (k, k)
        Correlation of the k differences from the control.
    df : float
        Degrees of freedom of the one error estimate they share.
    sides : 1 or 2

    Notes
    -----
    With product correlations the k t values are independent once the control's own deviation and the error estimate are
    given (Dunnett 1955, J. Am. Stat. Assoc. 50, 1096-1121): two nested quadratures. Otherwise the product case nearest
    to the correlations is integrated, and the small difference to it is found on one lattice of points for both
    (separation of variables, Genz 1992, J. Comput. Graph. Stat. 1, 141-149).
    """
    if limit <= 0 and sides == 2:
        return 0.0
    if len(correlation) == 1:
        return 1 - t_two_sided(limit, df) if sides == 2 else float(stdtr(df, limit))
    if sides == 2 and len(correlation) == 2:
        # |t| does not know the sign of a difference.
        correlation = np.abs(correlation)
    load, exact = _loadings(correlation)
    chance = _product_chance(limit, load, df, sides)
    if not exact:
        chance += _beyond_product(limit, correlation, load, df, sides)
    return min(1.0, max(0.0, chance))


def _beyond_product(limit: float, correlation: np.ndarray, load: np.ndarray, df: float, sides: int) -> float:
    """What the correlations change against the nearest product case, both from the same points."""
    near = np.outer(load, load)
    np.fill_diagonal(near, 1.0)
    return _lattice_chance(limit, correlation, df, sides) - _lattice_chance(limit, near, df, sides)


def _product_chance(limit: float, load: np.ndarray, df: float, sides: int) -> float:
    s, s_weight = chi_nodes(df)
    z, z_weight = _normal_nodes(load, sides)
    reach = limit * s[:, None]
    inside = np.ones((len(s), len(z)))
    for value, times in zip(*np.unique(np.round(load, 13), return_counts=True), strict=True):
        rest = math.sqrt(1 - value * value)
        part = ndtr((reach + value * z) / rest)
        if sides == 2:
            part -= ndtr((value * z - reach) / rest)
        inside *= part if times == 1 else part**times
    return float(s_weight @ inside @ z_weight)


@lru_cache(maxsize=8)
def _lattice(dimensions: int) -> np.ndarray:
    steps = np.sqrt(np.array(PRIMES[:dimensions], dtype=float))
    points = (np.arange(1, LATTICE_POINTS + 1)[:, None] * steps) % 1.0
    # Folding makes the integrand periodic, which is what a lattice likes.
    return np.clip(np.abs(2 * points - 1), 1e-12, 1 - 1e-12)


@lru_cache(maxsize=64)
def _lattice_sd(dimensions: int, df: float) -> np.ndarray:
    """Estimated over true standard deviation at every point: slow to find, and the same for every limit."""
    first = _lattice(dimensions)[:, 0]
    return np.ones(len(first)) if math.isinf(df) else np.sqrt(2 * gammaincinv(df / 2, first) / df)


def _lattice_chance(limit: float, correlation: np.ndarray, df: float, sides: int) -> float:
    size = len(correlation)
    if size > len(PRIMES):
        raise ValueError(
            f"{size} treatments: at most {len(PRIMES)} can be judged together when runs are missing."
        )
    points = _lattice(size)
    root = np.linalg.cholesky(correlation)
    s = _lattice_sd(size, df)
    chance = np.ones(len(points))
    drawn = np.zeros((len(points), size))
    for i in range(size):
        shift = drawn[:, :i] @ root[i, :i]
        high = ndtr((limit * s - shift) / root[i, i])
        low = ndtr((-limit * s - shift) / root[i, i]) if sides == 2 else np.zeros(len(points))
        chance *= high - low
        if i + 1 < size:
            drawn[:, i] = ndtri(np.clip(low + points[:, i + 1] * (high - low), 1e-300, 1 - 1e-16))
    return float(chance.mean())


def critical_t(correlation: np.ndarray, df: float, confidence: float = 0.95, sides: int = 2) -> float:
    """Return the t that all differences from the control stay within with the chance `confidence`.

    >>> round(critical_t(equal_correlation(2), 10), 3)  # 2.57 in Dunnett's printed table (from memory)
    2.568
    """
    missed = (1 - confidence) / sides
    low, high = t_quantile(1 - missed, df), t_quantile(1 - missed / len(correlation), df)
    if len(correlation) == 1:
        return low

    if sides == 2 and len(correlation) == 2:
        correlation = np.abs(correlation)
    load, exact = _loadings(correlation)

    def product_root(wanted: float) -> float:
        return find_root(
            lambda limit: _product_chance(limit, load, df, sides) - wanted,
            low * 0.98,
            high * 1.02,
            tolerance=1e-10,
        )

    found = product_root(confidence)
    # The step beyond the product case hardly moves with the limit: one correction settles it.
    return found if exact else product_root(confidence - _beyond_product(found, correlation, load, df, sides))


@lru_cache(maxsize=1024)
def critical_t_balanced(compared: int, df: float, confidence: float = 0.95, sides: int = 2) -> float:
    """Return the same for `compared` treatments with as many runs each as the control."""
    return critical_t(equal_correlation(compared), df, confidence, sides)


def adjusted_p(t: float, correlation: np.ndarray, df: float, sides: int = 2) -> float:
    """Return the chance that the largest of all t values is at least this large when no treatment does anything."""
    if len(correlation) == 1:
        return t_two_sided(t, df) if sides == 2 else float(stdtr(df, -t))
    return 1 - chance_all_within(abs(t) if sides == 2 else t, correlation, df, sides)


def equal_correlation(compared: int, value: float = 0.5) -> np.ndarray:
    """Return the correlations of differences from one control, all runs in equal numbers."""
    return np.full((compared, compared), value) + (1 - value) * np.eye(compared)
