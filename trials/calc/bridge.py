"""Setting results of two lots on one footing: ratios of logarithms whose errors add, and the bridge that joins the lots."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from trials.calc.levels import check_level

# Fewest blocks, each with a portion of either lot, that leave a bridge 6 degrees of freedom to judge chance by, which is what
# verdicts ask for (common practice, no source); and the most any plan takes.
FEWEST_BLOCKS = 7
MOST_BLOCKS = 120


@dataclass(frozen=True)
class LogRatio:
    """A ratio on the log scale: ln of it, its standard error, and the degrees of freedom behind that error."""

    ln: float
    se: float
    df: float

    @classmethod
    def of(cls, ratio: float, se: float, df: float) -> "LogRatio":
        """Make one from the ratio itself and the standard error of its logarithm. A ratio of 0 or less raises ValueError."""
        if ratio <= 0:
            raise ValueError(f"ratio {ratio}: only what is above 0 has a logarithm.")
        return cls(math.log(ratio), se, df)

    @property
    def ratio(self) -> float:
        return math.exp(self.ln)

    @property
    def leaves_out_one(self) -> bool:
        """Whether the 95 % interval lies to one side of 1."""
        lower, upper = self.interval()
        return lower > 1 or upper < 1

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Return the lower and upper limit of the ratio."""
        check_level("confidence", confidence)
        if self.se == 0:
            return self.ratio, self.ratio
        from trials.calc.simultaneous import t_quantile

        half = t_quantile((1 + confidence) / 2, self.df) * self.se
        return _exp(self.ln - half), _exp(self.ln + half)

    @property
    def inverse(self) -> "LogRatio":
        return LogRatio(-self.ln, self.se, self.df)


SAME = LogRatio(0.0, 0.0, math.inf)


def combine(parts: Sequence[tuple[float, LogRatio]]) -> LogRatio:
    """Return the weighted sum of independent ratios on the log scale: a chain of bridges multiplies, errors add in squares.

    Parameters
    ----------
    parts : sequence of (weight, LogRatio)
        Weight 1 multiplies by the ratio, -1 divides by it, weights that add up to 1 average. None at all raises ValueError.

    Notes
    -----
    ln = sum(w ln), variance = sum(w^2 se^2), degrees of freedom = variance^2 / sum(w^4 se^4 / df) [1]_ [2]_. The parts must
    share no runs; what they share would make the errors dependent and the interval wrong.

    .. [1] Satterthwaite 1946, Biometrics Bulletin 2, 110-114; Welch 1947, Biometrika 34, 28-35.
    .. [2] JCGM 100:2008 (GUM), annex G.4, equation G.2b.

    >>> chain = combine([(1, LogRatio(math.log(1.2), 0.10, 7)), (1, LogRatio(math.log(0.9), 0.10, 7))])
    >>> round(chain.ratio, 2), round(chain.se, 3), round(chain.df, 1)
    (1.08, 0.141, 14.0)
    """
    if not parts:
        raise ValueError("Nothing to combine.")
    variances = [(weight * part.se) ** 2 for weight, part in parts]
    variance = sum(variances)
    shared_out = sum(each**2 / part.df for each, (_, part) in zip(variances, parts, strict=True))
    return LogRatio(
        ln=sum(weight * part.ln for weight, part in parts),
        se=math.sqrt(variance),
        df=variance**2 / shared_out if shared_out else math.inf,
    )


def pooled(parts: Sequence[tuple[int, LogRatio]]) -> LogRatio:
    """Return the mean of several bridges between the same two lots, weighted by their blocks: (blocks, ratio) each.

    Blocks were fixed before anything was seen; the standard errors found were not, and a lucky small one would count too much.

    >>> round(pooled([(6, LogRatio(0.1, 0.1, 5)), (3, LogRatio(0.4, 0.1, 2))]).ln, 3)
    0.2
    """
    in_all = sum(blocks for blocks, _ in parts)
    return combine([(blocks / in_all, part) for blocks, part in parts])


def level_of(values: Sequence[float]) -> LogRatio:
    """Return the mean of a treatment's runs as a logarithm, with the standard error that carries it to other trials.

    Parameters
    ----------
    values : sequence of float, shape (n,), n at least 2
        Gold of each run over the mass of its portion, or colours; 0 or more, not all 0. Otherwise ValueError.

    Notes
    -----
    se(ln mean) = sd / (mean sqrt n), the delta method, n - 1 degrees of freedom. The spread is that of the runs as they are,
    blocks not taken out: what differs from block to block (day, water, panner) makes a level uncertain, though not a comparison
    within blocks. The error stays too small where everything in a trial was off together, and n under about 5 makes it rough.

    >>> level = level_of([8.0, 10.0, 12.0])
    >>> round(level.ratio, 1), round(level.se, 3), level.df
    (10.0, 0.115, 2)
    """
    if len(values) < 2:
        raise ValueError(f"{len(values)} runs: a level with its error needs at least 2.")
    mean = statistics.fmean(values)
    if min(values) < 0 or mean <= 0:
        raise ValueError("A level needs some gold, and none below nothing.")
    se = statistics.stdev(values) / (mean * math.sqrt(len(values)))
    return LogRatio(math.log(mean), se, len(values) - 1)


def blocks_for_width(spread: float, factor: float, confidence: float = 0.95) -> int | None:
    """Return the blocks a bridge needs for an interval that reaches from the ratio divided by `factor` to it times `factor`.

    Parameters
    ----------
    spread : float, above 0
        Relative spread of equal untreated portions within a block.
    factor : float, above 1
    confidence : float

    Returns
    -------
    int or None
        Each block takes one portion of either lot; FEWEST_BLOCKS or more, None when more than MOST_BLOCKS would be needed.

    Notes
    -----
    Half width t(b - 1) spread sqrt(2 / b) on the log scale, at the spread taken as known; the interval found is wider or
    narrower by chance.

    >>> blocks_for_width(0.2, 1.25)
    9
    """
    check_level("confidence", confidence)
    if not (spread > 0 and factor > 1):
        raise ValueError(f"spread {spread}, factor {factor}: the one above 0, the other above 1.")
    from trials.calc.simultaneous import t_quantile

    for blocks in range(FEWEST_BLOCKS, MOST_BLOCKS + 1):
        half = t_quantile((1 + confidence) / 2, blocks - 1) * spread * math.sqrt(2 / blocks)
        if half <= math.log(factor):
            return blocks
    return None


def _exp(power: float) -> float:
    return math.exp(power) if power < 700 else math.inf
