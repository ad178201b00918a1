"""Least squares for treatments within blocks, with cells missing; what can be compared, and what cannot."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

ROUNDING = 64 * float(np.finfo(float).eps)


@dataclass(frozen=True)
class Fit:
    """One fit of value = treatment + block (or another list of factors, the treatment first)."""

    levels: tuple[tuple[Hashable, ...], ...]
    design: np.ndarray
    values: np.ndarray
    weights: np.ndarray
    centre: float

    def with_values(self, values: np.ndarray, weights: np.ndarray) -> "Fit":
        """The same plan fitted to other values, one per run, by other weights."""
        return _fit(self.levels, self.design, values, weights)

    @cached_property
    def inverse(self) -> np.ndarray:
        """A generalised inverse of X'WX: differences that the trial can tell come out the same for any of them."""
        return np.linalg.pinv(self.cross_product, rcond=1e-10, hermitian=True)

    @cached_property
    def cross_product(self) -> np.ndarray:
        return self.design.T @ (self.weights[:, None] * self.design)

    @cached_property
    def coefficients(self) -> np.ndarray:
        return self.inverse @ (self.design.T @ (self.weights * self.values))

    @cached_property
    def residual_ss(self) -> float:
        residuals = self.values - self.design @ self.coefficients
        found = float(self.weights @ residuals**2)
        # Runs that the model hits exactly leave only the rounding of their last digits.
        rounding = ROUNDING * (float(np.abs(self.values).max()) + abs(self.centre))
        return found if found > float(self.weights.sum()) * rounding**2 else 0.0

    @cached_property
    def df(self) -> int:
        return len(self.values) - int(np.linalg.matrix_rank(self.design))

    @property
    def treatments(self) -> tuple[Hashable, ...]:
        return self.levels[0]

    def runs_of(self, treatment: Hashable) -> int:
        return int(self.design[:, self.treatments.index(treatment)].sum())

    def estimable(self, combination: np.ndarray) -> bool:
        """Whether the runs say anything about this combination of coefficients."""
        return bool(np.abs(self.inverse @ (self.cross_product @ combination) - combination).max() < 1e-7)

    def difference(self, treatment: Hashable, other: Hashable) -> np.ndarray:
        """The combination "treatment minus other"."""
        combination = np.zeros(self.design.shape[1])
        combination[self.treatments.index(treatment)] += 1
        combination[self.treatments.index(other)] -= 1
        return combination

    def mean_of(self, treatment: Hashable) -> np.ndarray:
        """The combination "mean of the treatment over every level of every other factor": its least-squares mean."""
        combination = np.zeros(self.design.shape[1])
        combination[self.treatments.index(treatment)] = 1
        start = len(self.treatments)
        for levels in self.levels[1:]:
            combination[start : start + len(levels)] = 1 / len(levels)
            start += len(levels)
        return combination

    def value_of(self, combination: np.ndarray) -> float:
        """The estimate of a combination, the centre added back where it is a mean and not a difference."""
        means = combination[: len(self.treatments)].sum()
        return float(combination @ self.coefficients + means * self.centre)

    def variance_factor(self, combination: np.ndarray) -> float:
        """Variance of the estimate, in units of the error variance of one run."""
        return float(combination @ self.inverse @ combination)

    def correlation(self, combinations: Sequence[np.ndarray]) -> np.ndarray:
        """Correlation of several estimates, shape (k, k)."""
        rows = np.array(combinations)
        covariance = rows @ self.inverse @ rows.T
        scale = np.sqrt(np.diag(covariance))
        return covariance / np.outer(scale, scale)


def fit(values: Sequence[float], *factors: Sequence[Hashable], weights: Sequence[float] | None = None) -> Fit:
    """Return the least-squares fit of the values by the sum of the factors, the treatment given first.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One per run that has a value; leave the others out beforehand.
    *factors : sequences of hashable, shape (n,) each
        Treatment, block, ... of each run.
    weights : sequence of float, shape (n,), or None for equal weights

    Notes
    -----
    A value of the data is taken off first: sums of squares of large numbers with small differences keep their digits.

    >>> round(fit([1.0, 2.0, 3.0, 5.0], ["a", "b", "a", "b"], [1, 1, 2, 2]).residual_ss, 3)
    0.25
    """
    if not len(values):
        raise ValueError("No run has a value: there is nothing to fit.")
    levels = tuple(tuple(dict.fromkeys(factor)) for factor in factors)
    columns = [
        [float(entry == level) for entry in factor]
        for factor, known in zip(factors, levels, strict=True)
        for level in known
    ]
    plain = np.asarray(values, dtype=float)
    held = np.ones(len(plain)) if weights is None else np.asarray(weights, dtype=float)
    return _fit(levels, np.array(columns).T, plain, held)


def _fit(
    levels: tuple[tuple[Hashable, ...], ...], design: np.ndarray, plain: np.ndarray, weights: np.ndarray
) -> Fit:
    if not np.isfinite(plain).all():
        raise ValueError(
            f"{plain[~np.isfinite(plain)][0]} among the values: every run needs a value; leave a failed one out."
        )
    centre = float(np.sort(plain)[len(plain) // 2])
    return Fit(levels, design, plain - centre, weights, centre)
