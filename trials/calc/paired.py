"""Two treatments side by side: pairs of pans from one split, judged by ratio, by signed rank and by sign."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc

from prospecting.calc.checks import numbers
from prospecting.calc.number_words import numeral
from trials.calc.simultaneous import t_quantile, t_two_sided


@dataclass(frozen=True)
class PairedRatio:
    """Treated / control from pairs of weighed gold, with its interval; `pairs` is how many."""

    ratio: float
    lower: float
    upper: float
    t: float
    p: float
    df: int
    pairs: int


@dataclass(frozen=True)
class SignedRank:
    """Wilcoxon's signed ranks: sum of the ranks of rises and of falls, and pairs without a difference, which are left out."""

    rank_sum_higher: float
    rank_sum_lower: float
    equal_pairs: int
    p_two_sided: float
    p_higher: float
    p_lower: float


@dataclass(frozen=True)
class SignTest:
    """Pairs that went up and down; equal pairs are left out and counted."""

    higher: int
    lower: int
    equal: int
    p_two_sided: float
    p_higher: float


def paired_ratio(
    treated_mg: Sequence[float], control_mg: Sequence[float], confidence: float = 0.95
) -> PairedRatio:
    """Return the ratio of treated to control gold from pairs of pans, by t on the logarithms of the ratios.

    Parameters
    ----------
    treated_mg, control_mg : sequences of float, shape (n,)
        Gold in mg, entry i of both from one pair. 2 pairs or more; a mass of 0 or below the scale has no logarithm.
    confidence : float

    Raises
    ------
    ValueError
        Lists of different length, a mass missing or not above 0, fewer than 2 pairs, all ratios equal.

    Notes
    -----
    t = mean / (sd / sqrt(n)) with n - 1 degrees of freedom. Assumes ratios that scatter alike over the pairs.

    >>> round(paired_ratio([2.2, 3.3, 4.5], [2.0, 3.0, 4.0]).ratio, 3)
    1.108
    """
    treated, control = _both(treated_mg, control_mg, "a gold mass in mg", above=0)
    _check_confidence(confidence)
    if len(treated) < 2:
        raise ValueError(f"{len(treated)} pair: an interval needs at least 2.")
    logs = [math.log(a / b) for a, b in zip(treated, control, strict=True)]
    n = len(logs)
    mean = math.fsum(logs) / n
    se = math.sqrt(math.fsum((value - mean) ** 2 for value in logs) / (n - 1) / n)
    if se <= 1e-12:
        raise ValueError(
            f"All {n} pairs show the same ratio {numeral(math.exp(mean), 'g')}: there is no spread to judge by."
        )
    half = t_quantile((1 + confidence) / 2, n - 1) * se
    return PairedRatio(
        math.exp(mean),
        math.exp(mean - half),
        math.exp(mean + half),
        mean / se,
        t_two_sided(mean / se, n - 1),
        n - 1,
        n,
    )


def signed_rank(treated: Sequence[float], control: Sequence[float]) -> SignedRank:
    """Return Wilcoxon's signed-rank test of pairs, exact, ties as they fell.

    Parameters
    ----------
    treated, control : sequences of float, shape (n,)
        Masses, colours or scores of one pair each. Nothing missing.

    Raises
    ------
    ValueError
        Lists of different length, a value missing or not a number, no pair that differs.

    Notes
    -----
    Differences are ranked by size, equal sizes sharing the mean rank; pairs without a difference are left out (Wilcoxon
    1945, Biometrics Bull. 1, 80-83). The level counts all ways to sign the ranks; two-sided is twice the smaller tail.
    It takes the differences as scattering alike to both sides. For masses give logarithms: a difference is then a ratio.

    >>> signed_rank([5, 7, 9, 8, 6], [4, 5, 6, 4, 1]).p_two_sided
    0.0625
    """
    one, other = _both(treated, control, "a value of a pair")
    differences = np.array(one) - np.array(other)
    moved = differences[differences != 0]
    if not len(moved):
        raise ValueError(f"None of the {len(one)} pairs differs: there is no direction to judge.")
    sizes = np.abs(moved)
    # Doubled, so that shared ranks are whole.
    ranks = (sizes[None, :] < sizes[:, None]).sum(axis=1) + (sizes[None, :] <= sizes[:, None]).sum(axis=1) + 1
    chances = np.ones(1)
    for rank in ranks.tolist():
        longer = np.zeros(len(chances) + rank)
        longer[: len(chances)] += chances / 2
        longer[rank:] += chances / 2
        chances = longer
    higher, lower = int(ranks[moved > 0].sum()), int(ranks[moved < 0].sum())
    p_higher = min(1.0, float(chances[higher:].sum()))
    p_lower = min(1.0, float(chances[lower:].sum()))
    return SignedRank(
        higher / 2,
        lower / 2,
        len(one) - len(moved),
        min(1.0, 2 * min(p_higher, p_lower)),
        p_higher,
        p_lower,
    )


def sign_test(treated: Sequence[float], control: Sequence[float]) -> SignTest:
    """Return how many pairs went up and how many down, with the exact level of a fair coin.

    Arguments and errors as in `signed_rank`, but pairs that never differ give a level of 1. Needs no scale, only "more"
    or "less", so a run below the scale may stand as -inf against a weighed one.

    >>> sign_test([2, 3, 4, 5, 6], [1, 2, 3, 4, 5]).p_two_sided
    0.0625
    """
    if len(treated) != len(control):
        raise ValueError(
            f"{len(treated)} treated and {len(control)} control values: pairs need as many of both."
        )
    pairs = list(zip(treated, control, strict=True))
    for pair in pairs:
        if any(value is None or value != value or value == math.inf for value in pair):
            raise ValueError(f"{pair} as a pair: both values must be numbers; leave the pair out beforehand.")
    if not pairs:
        raise ValueError("0 pairs: at least 1 is needed.")
    higher = sum(a > b for a, b in pairs)
    lower = sum(a < b for a, b in pairs)
    p_higher, p_lower = _fair_coin(higher, lower), _fair_coin(lower, higher)
    return SignTest(
        higher, lower, len(pairs) - higher - lower, min(1.0, 2 * min(p_higher, p_lower)), p_higher
    )


def _fair_coin(heads: int, tails: int) -> float:
    """The chance of at least so many heads."""
    return float(betainc(heads, tails + 1, 0.5)) if heads else 1.0


def _both(one, other, what: str, above: float | None = None) -> tuple[list[float], list[float]]:
    if len(one) != len(other):
        raise ValueError(f"{len(one)} treated and {len(other)} control values: pairs need as many of both.")
    return numbers(one, what, above=above), numbers(other, what, above=above)


def _check_confidence(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
