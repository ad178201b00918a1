"""Several trials of one thing set together: each trial's ratio to its own control, never its masses."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.calc.bridge import LogRatio, combine
from trials.calc.ratio_words import between
from trials.calc.working import figure

PAULE_MANDEL = "paule_mandel"
DER_SIMONIAN_LAIRD = "der_simonian_laird"
# Doses so close count as one: a drop more or less in the tub makes such a difference (common practice, no source).
ALIKE = 1.05
# Under this chance of trials so unlike by luck, something other than chance is said to differ (common practice, no source).
UNLIKE = 0.10
# Fewer trials than this hardly show a spread between them, however large it is (common practice, no source).
FEW = 6


@dataclass(frozen=True)
class SummaryOfRatios:
    """Ratios of several trials in one.

    `ratio` is that of trials in general: the trials count as a sample of those that could be made, true ratios differing by
    `tau` on the log scale, df trials - 1. `average` is that of just these trials, whatever others would show. `q` is
    Cochran's, `p_q` its chance if all trials had one true ratio, `i2` the share of the spread that chance does not explain.
    `factor` is what Hartung and Knapp multiply the plain standard error with, before it is kept from falling under 1.
    """

    ratio: LogRatio
    average: LogRatio
    trials: int
    tau: float
    q: float
    p_q: float
    i2: float
    factor: float
    weights: tuple[float, ...]

    @property
    def average_of_two(self) -> str:
        """The average of just these trials with its 95 % interval where they are two; blank where more tell how trials differ."""
        if self.trials != 2:
            return ""
        return f"{figure(self.average.ratio)} ({between(*self.average.interval())})"

    @property
    def average_said(self) -> str:
        """The same in words."""
        if not self.average_of_two:
            return ""
        return phrase(
            "The average of just these two is {ratio} times ({limits}, 95 % interval), which says nothing of what a third "
            "would give.",
            ratio=figure(self.average.ratio),
            limits=between(*self.average.interval()),
        )

    @property
    def agreement(self) -> str:
        """In words, how far the trials differ beyond what chance within each of them brings."""
        if self.trials == 2:
            return phrase(
                "Two trials tell next to nothing of how far one trial differs from another, and the interval is as wide as "
                "that makes it: a third would narrow it most."
            )
        few = (
            phrase(" With {trials} trials a real difference could still hide.", trials=self.trials)
            if self.trials < FEW
            else ""
        )
        if self.tau == 0:
            return phrase("The trials differ no more than chance within them brings.{few}", few=few)
        # A spread that rounds to none still is one.
        times = numeral(max(1.01, math.exp(self.tau)), ".2f")
        if self.p_q < UNLIKE:
            return phrase(
                "The trials differ by more than chance within them brings: the true ratio itself seems to change "
                "from trial to trial, typically by {times} times either way. Something that was not the same in "
                "them (ore, water, panner, gear) matters.",
                times=times,
            )
        return phrase(
            "The trials differ somewhat ({times} times either way beyond chance, at the best guess), but "
            "chance alone would bring that often.{few}",
            times=times,
            few=few,
        )


def summary_of_ratios(parts: Sequence[LogRatio], method: str = PAULE_MANDEL) -> SummaryOfRatios:
    """Return the ratio that several independent trials together tell, by random effects.

    Parameters
    ----------
    parts : sequence of LogRatio, two or more
        One from each trial, against that trial's own control, standard errors above 0. Trials must share no run.
    method : "paule_mandel" or "der_simonian_laird"
        How the variance between trials is estimated.

    Raises
    ------
    ValueError
        Fewer than two parts, a standard error not above 0, a number that is not finite, an unknown method.

    Notes
    -----
    Weights 1 / (se^2 + tau^2). Paule and Mandel: the tau^2 at which the weighted squares add up to k - 1, or 0 [1]_ [2]_.
    DerSimonian and Laird: (Q - (k - 1)) / (sum w - sum w^2 / sum w), or 0 [3]_. Standard error by Hartung and Knapp, the plain
    one times the root of (weighted squares / (k - 1)), with t of k - 1 degrees of freedom [4]_; where the trials agree better
    than chance lets them, that factor falls under 1 and two trials alike would get an interval of no width, so it is not
    taken below 1. The standard errors count as known: with few runs in a trial they are not, and the interval is
    somewhat too narrow.

    .. [1] Paule and Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377-385 (from memory).
    .. [2] Kacker 2004, Metrologia 41, 132-136, whose first example is in the tests.
    .. [3] DerSimonian and Laird 1986, Control. Clin. Trials 7, 177-188 (from memory).
    .. [4] Hartung and Knapp 2001, Stat. Med. 20, 1771-1782; Sidik and Jonkman 2002; factor kept from 1 down: Roever, Knapp
       and Friede 2015, BMC Med. Res. Methodol. 15:99 (all from memory).

    >>> parts = [LogRatio.of(1.5, 0.10, 8), LogRatio.of(1.2, 0.12, 8), LogRatio.of(1.7, 0.15, 8)]
    >>> found = summary_of_ratios(parts)
    >>> round(found.ratio.ratio, 2), round(found.tau, 2), [round(limit, 2) for limit in found.ratio.interval()]
    (1.44, 0.12, [0.94, 2.19])
    """
    from scipy.special import chdtrc

    if len(parts) < 2:
        raise ValueError(f"{len(parts)} trial: there is nothing to set together.")
    for part in parts:
        if not (part.se > 0 and math.isfinite(part.se) and math.isfinite(part.ln)):
            raise ValueError(f"ln ratio {part.ln} with standard error {part.se}: it needs an error above 0.")
    df = len(parts) - 1
    q = _weighted(parts, 0.0).squares
    if method == PAULE_MANDEL:
        tau2 = _paule_mandel(parts, q)
    elif method == DER_SIMONIAN_LAIRD:
        fixed = [1 / part.se**2 for part in parts]
        tau2 = max(0.0, (q - df) / (sum(fixed) - sum(w * w for w in fixed) / sum(fixed)))
    else:
        raise ValueError(f"{method!r}: the method is {PAULE_MANDEL} or {DER_SIMONIAN_LAIRD}.")
    found = _weighted(parts, tau2)
    factor = math.sqrt(found.squares / df)
    in_all = sum(found.weights)
    plain = [1 / part.se**2 for part in parts]
    return SummaryOfRatios(
        ratio=LogRatio(found.mean, max(1.0, factor) / math.sqrt(in_all), df),
        average=combine([(w / sum(plain), part) for w, part in zip(plain, parts, strict=True)]),
        trials=len(parts),
        tau=math.sqrt(tau2),
        q=q,
        p_q=float(chdtrc(df, q)),
        i2=max(0.0, (q - df) / q) if q > 0 else 0.0,
        factor=factor,
        weights=tuple(w / in_all for w in found.weights),
    )


def dose_groups(doses: Sequence[float]) -> list[tuple[float, ...]]:
    """Return the doses, lowest first, those within 5 % of the lowest of their group together.

    Parameters
    ----------
    doses : sequence of float, mL/L, above 0; each is listed once

    >>> dose_groups([0.2, 0.1, 0.163, 0.16, 0.2])
    [(0.1,), (0.16, 0.163), (0.2,)]
    """
    groups: list[list[float]] = []
    for dose in sorted(set(doses)):
        if not (dose > 0 and math.isfinite(dose)):
            raise ValueError(f"{dose} mL/L as a dose: it must be a number above 0.")
        if groups and dose <= ALIKE * groups[-1][0]:
            groups[-1].append(dose)
        else:
            groups.append([dose])
    return [tuple(group) for group in groups]


def shared_level(comparisons: int, confidence: float = 0.95) -> float:
    """Return the level of each of so many intervals that together hold with this confidence (Bonferroni).

    >>> shared_level(4)
    0.9875
    """
    if comparisons < 1:
        raise ValueError(f"{comparisons} comparisons: at least 1.")
    return 1 - (1 - confidence) / comparisons


@dataclass(frozen=True)
class DoseTried:
    """A dose over all trials: in how many it has a ratio, and whether these show it."""

    dose_ml_per_l: float
    trials: int
    shown: bool


@dataclass(frozen=True)
class LeastOverTrials:
    """The least dose shown: over several trials (`repeated`), and by one trial at the lower end of what is shown (`single`).

    `below` is the next lower dose tried, whatever it showed. Each None where there is none.
    """

    repeated: float | None
    single: float | None
    below: float | None


def least_over_trials(doses: Sequence[DoseTried]) -> LeastOverTrials:
    """Return the least dose shown, going down from the highest shown one to the first that is not.

    A dose shown by one trial below others that are not shown counts for nothing here: it is one trial against several doses.

    >>> tried = [DoseTried(0.1, 1, True), DoseTried(0.2, 4, True), DoseTried(0.4, 4, True), DoseTried(1.6, 1, False)]
    >>> least_over_trials(tried)
    LeastOverTrials(repeated=0.2, single=0.1, below=0.1)
    """
    falling = sorted(doses, key=lambda each: -each.dose_ml_per_l)
    shown = [each.shown for each in falling]
    if True not in shown:
        return LeastOverTrials(None, None, None)
    first = shown.index(True)
    end = next((place for place in range(first, len(shown)) if not shown[place]), len(shown))
    run = falling[first:end]
    repeated = min((each.dose_ml_per_l for each in run if each.trials > 1), default=None)
    lowest = run[-1]
    single = lowest.dose_ml_per_l if lowest.trials == 1 else None
    least = single if repeated is None else repeated
    below = max((each.dose_ml_per_l for each in doses if each.dose_ml_per_l < least), default=None)
    return LeastOverTrials(repeated, single, below)


@dataclass(frozen=True)
class _Weighted:
    mean: float
    squares: float
    weights: tuple[float, ...]


def _weighted(parts: Sequence[LogRatio], tau2: float) -> _Weighted:
    weights = tuple(1 / (part.se**2 + tau2) for part in parts)
    mean = sum(w * part.ln for w, part in zip(weights, parts, strict=True)) / sum(weights)
    squares = sum(w * (part.ln - mean) ** 2 for w, part in zip(weights, parts, strict=True))
    return _Weighted(mean, squares, weights)


def _paule_mandel(parts: Sequence[LogRatio], q: float) -> float:
    from trials.calc.simultaneous import find_root

    df = len(parts) - 1
    if q <= df:
        return 0.0
    # The squares fall as tau grows; past the widest distance squared they are below df.
    most = (max(part.ln for part in parts) - min(part.ln for part in parts)) ** 2
    return find_root(lambda tau2: _weighted(parts, tau2).squares - df, 0.0, most, tolerance=1e-14)
