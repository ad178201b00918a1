"""How sure a count of colours is, by the way the portion was cut: riffled, or scooped out of a bucket.

Measured with tracers of rising density by R. Minnitt, Scoop versus riffle methods, Sampling Science and Technology (doi
10.62178/sst.005.002, read as an excerpt): riffle splits kept 0.77 to 0.93 of the variance that chance gives, scoops had up to
19.33 times it and missed the heavy grains altogether in 28 to 47 % of draws. One study, and tracers are not gold, so the figures
are a stated range and no correction: nothing here mends a scooped sample. Plain Python.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import counting_spread

RIFFLE, SCOOPED = "riffle", "scooped"
# Variance among portions over the variance that chance alone gives, (least, most). A scoop may by luck do no worse than chance.
VARIANCE_TIMES_CHANCE: dict[str, tuple[float, float]] = {RIFFLE: (0.77, 0.93), SCOOPED: (1.0, 19.33)}
# Share of scoops that held none of the heaviest grains, (least, most).
SCOOPS_WITHOUT_HEAVY_GRAINS = (0.28, 0.47)


@dataclass(frozen=True)
class CutCertainty:
    """What `colours` counted in a portion cut in this way are worth, each figure as (best, worst).

    `as_sure_as` is the count that plain chance would have to give for the same relative sd.
    """

    colours: float
    cut: str
    variance_times_chance: tuple[float, float]
    as_sure_as: tuple[float, float]
    relative_sd: tuple[float, float]
    by_chance: float

    @property
    def sentence(self) -> str:
        best, worst = self.relative_sd
        said = {
            "colours": numeral(self.colours, "g"),
            "worst": f"{100 * worst:.0f}",
            "by_chance": f"{100 * self.by_chance:.0f}",
        }
        if self.cut == RIFFLE:
            return phrase(
                "{colours} colours from a riffled portion: give or take {best} to {worst} % (one standard deviation), about "
                "what chance alone gives ({by_chance} %).",
                best=numeral(100 * best, ".0f"),
                **said,
            )
        return phrase(
            "{colours} colours from a scooped portion may be no surer than {few} by chance: give or take up to {worst} % "
            "(one standard deviation) instead of {by_chance} %.",
            few=numeral(self.as_sure_as[1], ".0f") if self.as_sure_as[1] >= 1.5 else phrase("1 or fewer"),
            **said,
        )


def cut_certainty(colours: float, cut: str) -> CutCertainty:
    """Return how sure a count of colours is after this way of cutting.

    Parameters
    ----------
    colours : float
        Colours counted or expected in one portion, above 0.
    cut : str
        "riffle" or "scooped". Other ways raise ValueError: they are known to lie between, but no figure was found.

    Notes
    -----
    Relative sd = sqrt(k / n) with k the variance in units of chance: n colours are worth n / k. Above about 0.5 the error is
    skewed: most portions read low, a few very high.

    >>> found = cut_certainty(100, "scooped")
    >>> round(found.as_sure_as[1], 1), round(found.relative_sd[1], 2), found.by_chance
    (5.2, 0.44, 0.1)
    """
    times = _variance_times_chance(cut)
    if not (colours > 0 and math.isfinite(colours)):
        raise ValueError(f"Colours must be above zero, not {colours}: none counted has no relative spread.")
    by_chance = counting_spread(colours)
    return CutCertainty(
        colours=colours,
        cut=cut,
        variance_times_chance=times,
        as_sure_as=(colours / times[0], colours / times[1]),
        relative_sd=spread_when_cut([by_chance], cut),
        by_chance=by_chance,
    )


def spread_when_cut(by_chance: Sequence[float], cut: str) -> tuple[float, float]:
    """Return the relative sd after this way of cutting, as (best, worst): what chance alone gives, times the root of the range.

    `by_chance` is one relative sd, or several where it is not known closer; the least and the most of them count. A way of
    cutting that was not measured raises ValueError, and so does no sd at all.

    >>> [round(sd, 2) for sd in spread_when_cut([0.1, 0.2], "scooped")]
    [0.1, 0.88]
    """
    if not by_chance:
        raise ValueError("No spread by chance was given.")
    least, most = _variance_times_chance(cut)
    return min(by_chance) * math.sqrt(least), max(by_chance) * math.sqrt(most)


def colours_for_spread(relative_sd: float, cut: str) -> tuple[float, float]:
    """Return the colours a portion must hold for this relative sd (a fraction), as (best, worst) of the range: k / sd^2.

    >>> [round(colours) for colours in colours_for_spread(0.1, "scooped")]
    [100, 1933]
    """
    if not (relative_sd > 0 and math.isfinite(relative_sd)):
        raise ValueError(f"relative_sd must be above zero, not {relative_sd}.")
    least, most = _variance_times_chance(cut)
    return least / relative_sd**2, most / relative_sd**2


def scooping_over_riffling() -> tuple[float, float]:
    """Return how many times the variance of a riffled portion a scooped one may have: the best and the worst the ranges allow.

    >>> [round(times, 1) for times in scooping_over_riffling()]
    [1.1, 25.1]
    """
    (riffle_least, riffle_most), (scoop_least, scoop_most) = (
        VARIANCE_TIMES_CHANCE[cut] for cut in (RIFFLE, SCOOPED)
    )
    return scoop_least / riffle_most, scoop_most / riffle_least


def _variance_times_chance(cut: str) -> tuple[float, float]:
    if cut not in VARIANCE_TIMES_CHANCE:
        raise ValueError(
            f"How {cut!r} differs from chance was not measured: {', '.join(VARIANCE_TIMES_CHANCE)}."
        )
    return VARIANCE_TIMES_CHANCE[cut]
