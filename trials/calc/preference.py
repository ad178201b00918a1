"""Looks at two pans side by side: which is preferred, on one scale for all treatments (Bradley and Terry)."""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, ndtri, xlogy

# Newton steps; with finite abilities a handful is enough.
STEPS = 100
# Newton doubles the digits with each step: one this small leaves nothing to improve.
CLOSE = 1e-9

Wins = Sequence[Sequence[float]]


@dataclass(frozen=True)
class Preference:
    """Abilities as log odds against the first item, whose ability is 0; `covariance` belongs to the others, in order.

    `looks` counts comparisons. Looks of one judge at one row hang together: the number of rows is the number to report.
    """

    items: tuple[Hashable, ...]
    log_ability: dict[Hashable, float]
    standard_error: dict[Hashable, float]
    covariance: np.ndarray
    residual_deviance: float
    residual_df: int
    looks: float

    def chance_of_beating(self, one: Hashable, other: Hashable) -> float:
        """Return the fitted chance that `one` is preferred to `other` in one look."""
        return float(expit(self.log_ability[one] - self.log_ability[other]))

    def log_odds_interval(
        self, one: Hashable, other: Hashable, confidence: float = 0.95
    ) -> tuple[float, float]:
        """Return the large-sample interval of ability of `one` minus ability of `other`."""
        if not 0 < confidence < 1:
            raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
        row = np.array([float(item == one) - float(item == other) for item in self.items])[1:]
        middle = self.log_ability[one] - self.log_ability[other]
        half = float(ndtri((1 + confidence) / 2)) * math.sqrt(float(row @ self.covariance @ row))
        return middle - half, middle + half


def finite_abilities_exist(wins_row_over_column: Wins) -> bool:
    """Return whether every split of the items has wins both ways, so that finite abilities exist.

    Parameters
    ----------
    wins_row_over_column : sequence of sequences, shape (k, k)
        Entry (i, j): looks in which item i was preferred to item j; a tie counts half to each. The diagonal is 0.

    Raises
    ------
    ValueError
        Not square, fewer than 2 items, a negative entry, one that is not a number, a look of an item at itself.

    Notes
    -----
    The graph of wins is strongly connected (Ford 1957, Am. Math. Monthly 64(8), 28-33).

    >>> finite_abilities_exist([[0, 3], [2, 0]]), finite_abilities_exist([[0, 3], [0, 0]])
    (True, False)
    """
    return _parts(_checked(wins_row_over_column))[0] == 1


def preference(items: Sequence[Hashable], wins_row_over_column: Wins) -> Preference:
    """Return the abilities that fit the looks best: log odds that i beats j = ability of i - ability of j.

    Parameters
    ----------
    items : sequence of hashable, shape (k,)
        Names, each once; the first is the one the others are set against.
    wins_row_over_column : sequence of sequences, shape (k, k)
        As in `finite_abilities_exist`.

    Raises
    ------
    ValueError
        As there; also when no finite abilities exist, naming a group of items that never lost to the rest, or was never
        looked at beside it.

    Notes
    -----
    Maximum likelihood by Newton's method (Bradley and Terry 1952, Biometrika 39, 324-345); standard errors from the
    information. `residual_df` is pairs looked at minus k - 1. Takes looks as independent and as having no favoured side.

    >>> round(preference(["water", "rinse"], [[0, 2], [6, 0]]).log_ability["rinse"], 4)
    1.0986
    """
    names = tuple(items)
    wins = _checked(wins_row_over_column)
    if len(set(names)) != len(names) or len(names) != len(wins):
        raise ValueError(f"{list(names)} for {len(wins)} rows of wins: each item is named once.")
    parts, part = _parts(wins)
    if parts > 1:
        raise ValueError(_why_not(names, wins, part))
    size = len(wins)
    looks = wins + wins.T
    ability = np.zeros(size)
    for _ in range(STEPS):
        chance = expit(ability[:, None] - ability[None, :])
        slope = (wins - looks * chance).sum(axis=1)
        weight = looks * chance * (1 - chance)
        information = (np.diag(weight.sum(axis=1)) - weight)[1:, 1:]
        step = np.linalg.solve(information, slope[1:])
        # A bounded step cannot overshoot; the likelihood has one top.
        ability[1:] += step / max(1.0, float(np.abs(step).max()))
        if np.abs(step).max() < CLOSE * max(1.0, float(np.abs(ability).max())):
            break
    else:
        raise ValueError(f"The abilities of {list(names)} do not settle: the wins are too one-sided to fit.")
    covariance = np.linalg.inv(information)
    first, second = np.triu_indices(size, 1)
    met = looks[first, second] > 0
    first, second = first[met], second[met]
    fitted = looks[first, second] * expit(ability[first] - ability[second])
    won, total = wins[first, second], looks[first, second]
    deviance = 2 * float(
        (xlogy(won, won / fitted) + xlogy(total - won, (total - won) / (total - fitted))).sum()
    )
    return Preference(
        names,
        dict(zip(names, ability.tolist(), strict=True)),
        dict(zip(names[1:], np.sqrt(np.diag(covariance)).tolist(), strict=True)),
        covariance,
        max(0.0, deviance),
        len(first) - (size - 1),
        float(total.sum()),
    )


def _checked(wins: Wins) -> np.ndarray:
    size = len(wins)
    if size < 2:
        raise ValueError(f"{size} item: a preference needs at least 2.")
    if any(len(row) != size for row in wins):
        raise ValueError(
            f"Rows of {[len(row) for row in wins]} wins for {size} items: the table must be square."
        )
    for i, row in enumerate(wins):
        for j, count in enumerate(row):
            if count is None or not math.isfinite(count) or count < 0:
                raise ValueError(
                    f"{count} wins in row {i + 1}, column {j + 1}: a number of looks is 0 or more."
                )
            if i == j and count:
                raise ValueError(f"{count} wins of item {i + 1} over itself: the diagonal is 0.")
    return np.array(wins, dtype=float)


def _parts(wins: np.ndarray) -> tuple[int, np.ndarray]:
    """How many groups have wins in a ring among themselves, and the group of each item."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    return connected_components(csr_array(wins > 0), directed=True, connection="strong")


def _why_not(names, wins: np.ndarray, part: np.ndarray) -> str:
    """A group that never lost to the rest exists whenever there is more than one; say which."""
    for number in range(part.max() + 1):
        inside = part == number
        if wins[~inside][:, inside].sum() == 0:
            group = ", ".join(str(name) for name, here in zip(names, inside, strict=True) if here)
            if wins[inside][:, ~inside].sum() == 0:
                return f"{group}: never looked at beside the others, so no scale joins them."
            return f"{group}: never lost to the others, so the difference has no finite size."
    raise AssertionError("a graph in more than one strong part has a part nothing leads into")
