"""The spread of control runs beside what chance alone predicts from the number of gold grains in a portion."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy.special import gammaincinv

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from trials.calc.working import Working, WorkingRow, figure, given

OZT_MG = 31_103.4768
# mg of one grain by size class: 12,000, 40,000 and 300,000 colours to the troy ounce for fine, very fine and flour gold, a
# placer miners' rule read in an old handbook. Medium and coarse are reckoned from fine: twice the size, eight times the mass.
GRAIN_MG = {
    "flour": OZT_MG / 300_000,
    "very_fine": OZT_MG / 40_000,
    "fine": OZT_MG / 12_000,
    "medium": 8 * OZT_MG / 12_000,
    "coarse": 64 * OZT_MG / 12_000,
}
SIZE_WORDS = {
    "flour": to_phrase("flour"),
    "very_fine": to_phrase("very fine"),
    "fine": to_phrase("fine"),
    "medium": to_phrase("medium"),
    "coarse": to_phrase("coarse"),
}
# A share of the spread in words, each up to so much of it.
IN_WORDS = (
    (0.05, to_phrase("next to nothing")),
    (0.15, to_phrase("a tenth")),
    (0.225, to_phrase("a fifth")),
    (0.29, to_phrase("a quarter")),
    (0.415, to_phrase("a third")),
    (0.58, to_phrase("half")),
    (0.71, to_phrase("two thirds")),
    (0.85, to_phrase("three quarters")),
    (0.97, to_phrase("nearly all")),
    (math.inf, to_phrase("all")),
)
# Of these nobody says "about".
NOT_ABOUT = ("next to nothing", "nearly all", "all")
# Of fewer runs than this the true spread may be nearly twice the one seen (chi-squared limits of 9 runs: 0.68 and 1.92 times).
FEW_RUNS = 10
GRAIN_SOURCE = to_phrase(
    "colours per troy ounce by size class, a miners' rule; medium and coarse reckoned as twice the size each"
)


@dataclass(frozen=True)
class ControlSpread:
    """Coefficients of variation as fractions; what cannot be told is None.

    `seen_lower` and `seen_upper` are the 95 % limits of the spread seen, for runs that scatter like a normal law.
    """

    runs: int
    mean: float
    unit: str
    cv_seen: float | None
    seen_lower: float | None
    seen_upper: float | None
    cv_chance: float | None
    grains_per_run: float | None
    share_by_chance: float | None
    sentence: str
    working: Working

    @property
    def share_lower(self) -> float | None:
        """The least share of the variance that chance explains, were the true spread the upper of its 95 % limits."""
        return self._share_of(self.seen_upper)

    @property
    def share_upper(self) -> float | None:
        return self._share_of(self.seen_lower)

    def _share_of(self, spread: float | None) -> float | None:
        return min(1.0, (self.cv_chance / spread) ** 2) if spread and self.cv_chance is not None else None


def share_in_words(share: float) -> str:
    """Write how much of a spread something explains, in words: no share is known better.

    >>> share_in_words(0.66), share_in_words(0.02), share_in_words(1.0)
    ('two thirds', 'next to nothing', 'all')
    """
    if not 0 <= share <= 1:
        raise ValueError(f"share {share}: it lies between 0 and 1.")
    return phrase(_words_of(share))


def _words_of(share: float) -> str:
    return next(words for most, words in IN_WORDS if share < most)


def explained(spread: ControlSpread, guesses: Sequence[ControlSpread] = ()) -> str:
    """Return in words how much of the spread between equal portions counting chance explains; "" where none was seen.

    `guesses`: where no colours were counted, the same runs with the smallest and the largest grains there may be. Shares are
    of the variance, as a share of a spread adds up only there.

    >>> explained(spread_of_counts([4, 9, 6, 5, 11, 2, 8, 6, 10, 5]))[38:]
    'counting chance explains about three quarters (from 10 runs, 95 % sure: anything from a quarter to all).'
    """
    start = to_phrase("Of the spread between equal portions, counting chance explains {share}")
    if spread.share_by_chance is not None:
        share = share_in_words(spread.share_by_chance)
        if _words_of(spread.share_by_chance) not in NOT_ABOUT:
            share = phrase("about {share}", share=share)
        least, most = share_in_words(spread.share_lower), share_in_words(spread.share_upper)
        told = phrase(start, share=share)
        if least == most:
            return f"{told}."
        return phrase_counted(
            "{told} (from {number} runs, 95 % sure: anything from {least} to {most}).",
            "{told} (from {number} runs, 95 % sure: anything from {least} to {most}).",
            spread.runs,
            told=told,
            least=least,
            most=most,
        )
    shares = [guess.share_by_chance for guess in guesses if guess.share_by_chance is not None]
    if not shares:
        return ""
    least, most = share_in_words(min(shares)), share_in_words(max(shares))
    span = most if least == most else phrase("anything from {least} to {most}", least=least, most=most)
    return phrase(
        "{told}: no colours were counted, so how many grains a portion holds is a guess.",
        told=phrase(start, share=span),
    )


def colours_per_run(counted: Sequence[Mapping[str, int]]) -> dict[str, float] | None:
    """Return the mean colours per run by size class; None where no run was counted or none showed a colour.

    >>> colours_per_run([{"fine": 3, "flour": 1}, {"fine": 2}])
    {'fine': 2.5, 'flour': 0.5}
    """
    totals: Counter[str] = Counter()
    for run in counted:
        totals.update(run)
    return {name: number / len(counted) for name, number in totals.items()} if totals.total() else None


def spread_of_counts(counts: Sequence[int]) -> ControlSpread:
    """Return the spread of colours in equal control runs beside that of grains falling by chance, 1 / sqrt(mean).

    >>> found = spread_of_counts([4, 9, 6, 5])
    >>> round(found.cv_seen, 2), round(found.cv_chance, 2)
    (0.36, 0.41)
    """
    for count in counts:
        if count < 0 or count != int(count):
            raise ValueError(f"{count} colours: a count is a whole number, 0 or more.")
    mean = _mean(counts)
    chance = 1 / math.sqrt(mean) if mean > 0 else None
    row = WorkingRow(
        phrase("Spread that counting chance alone gives"),
        phrase("1 / square root of the mean number of colours"),
        (given("mean colours per run", mean),),
        figure(chance) if chance is not None else "",
        phrase("of the mean"),
        phrase("Poisson counts"),
    )
    return _spread(counts, phrase("colours"), chance, mean, row)


def spread_of_masses(
    values_mg: Sequence[float],
    colours: Mapping[str, float] | None = None,
    size_class: str | None = None,
    grain_mg: float | None = None,
) -> ControlSpread:
    """Return the spread of control masses beside that of the gold grains falling by chance.

    Parameters
    ----------
    values_mg : sequence of float
        Gold of the control runs in mg; runs below the scale are left out by the caller, who says so.
    colours : mapping of size class to mean colours per run, or None
        Classes as in GRAIN_MG. The best basis: it weighs the few large grains as they deserve.
    size_class : str or None
        Class that most of the gold is of, when colours were not counted.
    grain_mg : float or None
        Mass of a typical grain in mg, where it was weighed.

    Notes
    -----
    Independent grains of mass g_c, on average m_c per run: variance of the mass sum m_c g_c^2, so the coefficient of
    variation is sqrt(sum m_c g_c^2) / sum m_c g_c; with one class it is sqrt(g / mean mass). Grains of a class are not all
    alike, so this is the least that chance gives.

    >>> round(spread_of_masses([5.0, 9.0, 6.0, 8.0], grain_mg=0.78).cv_chance, 2)
    0.33
    """
    for value in values_mg:
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{value} mg: a weighed mass is above 0.")
    mean = _mean(values_mg)
    grains, chance, inputs, formula = None, None, (), ""
    if colours and sum(colours.values()) > 0:
        for name in colours:
            _known(name)
        grains = sum(colours.values())
        mass = sum(number * GRAIN_MG[name] for name, number in colours.items())
        chance = math.sqrt(sum(number * GRAIN_MG[name] ** 2 for name, number in colours.items())) / mass
        formula = phrase("square root of sum (colours x grain mass squared) / sum (colours x grain mass)")
        inputs = tuple(
            given(
                phrase(
                    "{size} colours per run, {mass} mg each",
                    size=phrase(SIZE_WORDS[name]),
                    mass=figure(GRAIN_MG[name]),
                ),
                float(number),
            )
            for name, number in colours.items()
            if number
        )
    elif grain_mg is not None or size_class is not None:
        each = grain_mg if grain_mg is not None else GRAIN_MG[_known(size_class)]
        if not each > 0:
            raise ValueError(f"grain of {each} mg: its mass must be above 0.")
        grains = mean / each
        chance = 1 / math.sqrt(grains)
        formula = phrase("square root of (mass of one grain / mean mass of a run)")
        inputs = (
            given(phrase("mass of one grain"), each, "mg"),
            given(phrase("mean of the control runs"), mean, "mg"),
        )
    row = WorkingRow(
        phrase("Spread that counting chance alone gives"),
        formula,
        inputs,
        figure(chance) if chance is not None else "",
        phrase("of the mean"),
        phrase("Poisson counts")
        if grain_mg is not None and not colours
        else phrase("Poisson counts; {source}", source=phrase(GRAIN_SOURCE)),
    )
    return _spread(values_mg, "mg", chance, grains, row)


def _spread(
    values: Sequence[float], unit: str, chance: float | None, grains: float | None, row: WorkingRow
) -> ControlSpread:
    runs, mean = len(values), _mean(values)
    seen = lower = upper = share = None
    if runs >= 2 and mean > 0:
        seen = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (runs - 1)) / mean
        half = (runs - 1) / 2
        lower = seen * math.sqrt(half / float(gammaincinv(half, 0.975)))
        upper = seen * math.sqrt(half / float(gammaincinv(half, 0.025)))
    if seen and chance is not None:
        # Small samples often scatter less than chance; a share over 1 would say nothing more.
        share = min(1.0, (chance / seen) ** 2)
    rows = [
        WorkingRow(
            phrase("Spread of the control runs"),
            phrase("standard deviation / mean"),
            (given(phrase("control runs"), runs), given(phrase("mean"), mean, unit)),
            figure(seen) if seen is not None else "",
            phrase("of the mean"),
            phrase("standard result"),
        )
    ]
    if chance is not None:
        rows.append(row)
    taken = (phrase("Grains fall into portions independently of each other, as in a well-blended lot."),)
    sentence = _sentence(runs, mean, seen, lower, upper, chance, grains, share)
    return ControlSpread(
        runs, mean, unit, seen, lower, upper, chance, grains, share, sentence, Working(tuple(rows), taken)
    )


def _sentence(runs, mean, seen, lower, upper, chance, grains, share) -> str:
    if mean == 0:
        return phrase("The control runs show no gold, so their spread cannot be set beside chance.")
    start = _scatter(runs, seen, lower, upper)
    if chance is None:
        return phrase(
            "{start} Count colours by size class, and chance's part of it can be told.", start=start
        )
    expected = phrase(
        "With about {grains} grains to a portion, chance alone gives at least {share}",
        grains=figure(grains, 2),
        share=percent(chance),
    )
    if share is None:
        return f"{start} {expected}."
    if share >= 1:
        return phrase(
            "{start} {expected}: chance is enough to explain the spread, so only more grains or more runs "
            "lessen it.",
            start=start,
            expected=expected,
        )
    if share >= 0.5:
        return phrase(
            "{start} {expected}: most of the spread is chance, and better blending or panning would lessen "
            "it little.",
            start=start,
            expected=expected,
        )
    return phrase(
        "{start} {expected}: most of the spread comes from elsewhere: blending, splitting, panning or "
        "weighing.",
        start=start,
        expected=expected,
    )


def _scatter(runs: int, seen: float | None, lower: float | None, upper: float | None) -> str:
    if seen is None:
        return phrase("One control run shows no spread.")
    said = phrase_counted(
        "The {number} control runs scatter by about {share} of their mean",
        "The {number} control runs scatter by about {share} of their mean",
        runs,
        share=percent(seen),
    )
    if not seen:
        return f"{said}."
    limits = phrase("anything from {low} to {high}, 95 % interval", low=percent(lower), high=percent(upper))
    if runs < FEW_RUNS:
        limits = phrase("from so few runs, {limits}", limits=limits)
    return f"{said} ({limits})."


def _known(size_class: str) -> str:
    if size_class not in GRAIN_MG:
        raise ValueError(f"{size_class}: size classes are {', '.join(GRAIN_MG)}.")
    return size_class


def _mean(values: Sequence[float]) -> float:
    if not len(values):
        raise ValueError("No control run counts: there is no spread to show.")
    return math.fsum(values) / len(values)


def percent(fraction: float) -> str:
    """Write a spread in whole percent: no spread is known better."""
    return f"{100 * fraction:.0f} %"
