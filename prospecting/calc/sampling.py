"""What chance alone does to a sample: grains in a portion, the spread of a count, and Gy's fundamental error.

Sources, cited from memory: P. Gy, Sampling of Particulate Materials (1982); H. E. Clifton and others, USGS Professional
Paper 625-C (1969); F. Garwood, Biometrika 28 (1936) 437. Relative standard deviations are fractions; numbers are floats.
"""

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prospecting.calc.checks import need_positive
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

# Fine gold in g/cm3; natural gold is lighter, 15 to 19 (published range, from memory).
FINE_GOLD_DENSITY = 19.3
QUARTZ_DENSITY = 2.65
# Gy's square root, and the exponent often calibrated for gold (Francois-Bongarcon). They differ by (liberation/top size), so
# a page always says which was used.
LIBERATION_EXPONENTS = (0.5, 1.5)
# Unsized crushed ore; flakes of gold have a shape factor near 0.2.
SHAPE_FACTOR = 0.5
SIZE_RANGE_FACTOR = 0.25
# Grains that give about +-45 % at 95 % confidence, the published thumb rule's "about 50 %" (Clifton and others 1969, through N.
# Marshall, Sample size and meaningful gold analysis, 2002).
ENOUGH_GRAINS = 20


@dataclass(frozen=True)
class Interval:
    """Limits that hold the true value with confidence `level`."""

    low: float
    high: float
    level: float


@dataclass(frozen=True)
class GrainRange:
    """The fine and the coarse end of the gold's grains, in um."""

    fine_um: float
    coarse_um: float


@dataclass(frozen=True)
class Dispersion:
    """Test whether counts of equal samples vary more than chance: `p_upper` small says they do."""

    mean: float
    variance: float
    chi2: float
    df: int
    p_upper: float


@dataclass(frozen=True)
class CountComparison:
    """Rate of a over rate of b (per mass) with its exact interval and the exact two-sided p-value."""

    rate_ratio: float
    interval: Interval
    p_two_sided: float


@dataclass(frozen=True)
class FundamentalError:
    """Gy's fundamental sampling error of one splitting stage; `sampling_constant` is f g c l in g/cm3."""

    liberation_exponent: float
    mineralogical_factor: float
    liberation_factor: float
    sampling_constant: float
    relative_variance: float

    @property
    def relative_sd(self) -> float:
        return math.sqrt(self.relative_variance)


@dataclass(frozen=True)
class TotalError:
    """The fundamental error of a whole protocol, and the stage (counted from 0) that gives most of it."""

    relative_variance: float
    worst_stage: int

    @property
    def relative_sd(self) -> float:
        return math.sqrt(self.relative_variance)


@dataclass(frozen=True)
class Stage:
    """One splitting stage: `sample_g` taken from `lot_g` crushed to `top_size_um`; None is a lot without end.

    `times_chance` is the variance the way of cutting gives, in units of chance; see `scooping.VARIANCE_TIMES_CHANCE`.
    """

    top_size_um: float
    sample_g: float
    lot_g: float | None
    name: str = ""
    times_chance: float = 1.0


@dataclass(frozen=True)
class StageError:
    """What one stage of a protocol adds: its fundamental error and its share (a fraction) of the whole variance."""

    name: str
    stage: Stage
    error: FundamentalError
    share: float


@dataclass(frozen=True)
class Protocol:
    """A crush-and-split protocol under one liberation exponent: every stage in order, and the one that gives most error."""

    liberation_exponent: float
    stages: tuple[StageError, ...]
    total: TotalError

    @property
    def worst(self) -> StageError:
        return self.stages[self.total.worst_stage]

    @property
    def sentence(self) -> str:
        if not self.total.relative_variance:
            return phrase("Nothing was left behind at any stage, so splitting adds no error.")
        return phrase(
            "Splitting alone gives a relative standard deviation of {spread} %, at least (liberation exponent {exponent}); "
            "{share} % of its variance comes from {stage}. Crush finer before it or take more there.",
            spread=numeral(100 * self.total.relative_sd, ".0f"),
            exponent=numeral(self.liberation_exponent, "g"),
            share=numeral(100 * self.worst.share, ".0f"),
            stage=self.worst.name,
        )


def grain_mass_mg(diameter_um: float, density: float = FINE_GOLD_DENSITY) -> float:
    """Return the mass in mg of a round grain: pi/6 d^3 rho, with rho in g/cm3."""
    need_positive(diameter_um=diameter_um, density=density)
    return math.pi / 6 * (diameter_um * 1e-4) ** 3 * density * 1000


def grain_diameter_um(mass_mg: float, density: float = FINE_GOLD_DENSITY) -> float:
    """Return the diameter in um of a round grain of this mass: `grain_mass_mg` turned round.

    >>> round(grain_diameter_um(grain_mass_mg(250)), 6)
    250.0
    """
    need_positive(mass_mg=mass_mg, density=density)
    return math.cbrt(mass_mg / (1000 * density * math.pi / 6)) * 1e4


def flake_mass_mg(
    diameter_um: float, diameter_to_thickness: float, density: float = FINE_GOLD_DENSITY
) -> float:
    """Return the mass in mg of a round flake: pi/4 d^2 (d/k) rho, k its diameter over its thickness."""
    need_positive(diameter_um=diameter_um, diameter_to_thickness=diameter_to_thickness, density=density)
    return math.pi / 4 * (diameter_um * 1e-4) ** 3 / diameter_to_thickness * density * 1000


def grain_range_um(usual_um: float, top_um: float | None = None) -> GrainRange:
    """Return half and twice the usual size of the gold's grains, in um, none above the ore's top size where it is known.

    A guess of ours, no source: it stands in until somebody gives the range.

    >>> grain_range_um(200, 300)
    GrainRange(fine_um=100.0, coarse_um=300)
    """
    need_positive(usual_um=usual_um)
    most_um = 2 * usual_um
    return GrainRange(usual_um / 2, most_um if top_um is None else min(most_um, top_um))


def expected_grains(grade_g_per_t: float, sample_g: float, grain_mg: float, share: float = 1.0) -> float:
    """Return how many grains of `grain_mg` a sample holds on average, were `share` (0 to 1) of its gold such grains.

    >>> expected_grains(1.0, 1000, 0.5), expected_grains(1.0, 1000, 0.5, share=0.25)
    (2.0, 0.5)
    """
    need_positive(grain_mg=grain_mg)
    return sample_g * (grade_g_per_t * share) / 1000 / grain_mg


def chance_of_none(grains: float) -> float:
    """Return the chance that a sample expected to hold `grains` holds none: e^-n."""
    return math.exp(-grains)


def counting_spread(grains: float) -> float:
    """Return the relative sd that counting chance alone gives `grains` (of one size class): 1/sqrt(n); inf for none."""
    return 1 / math.sqrt(grains) if grains > 0 else math.inf


def spread_of_sampling(grades_g_per_t: Sequence[float], mean_g_per_t: float, assay_sd: float) -> float:
    """Return the relative sd that sampling leaves in the mean of assays of one material: sqrt(s^2 - assay_sd^2) / sqrt(n).

    `grades_g_per_t` are the n assays, two or more, `mean_g_per_t` their mean as it is used, `assay_sd` the relative sd of one
    assay. s is their scatter over that mean (divisor n - 1); 0 where the assays' own error explains all of it. Fewer than two
    assays, or a mean that is not above zero, raise ValueError.

    >>> round(spread_of_sampling([6.0, 10.0], 8.0, 0.25), 3)
    0.177
    """
    need_positive(mean_g_per_t=mean_g_per_t)
    if len(grades_g_per_t) < 2:
        raise ValueError(f"{len(grades_g_per_t)} assays: a scatter needs at least 2.")
    scatter = statistics.stdev(grades_g_per_t) / mean_g_per_t
    return math.sqrt(max(0.0, scatter**2 - assay_sd**2)) / math.sqrt(len(grades_g_per_t))


def grains_for_chance(probability: float) -> float:
    """Return the expected grains that give `probability` of at least one: -ln(1 - p)."""
    if not 0 <= probability < 1:
        raise ValueError(f"A probability lies between 0 and 1, not {probability}.")
    return -math.log1p(-probability)


def sample_mass_g(grains: float, grain_mg: float, grade_g_per_t: float) -> float:
    """Return the sample in g expected to hold `grains` of `grain_mg` at this grade."""
    need_positive(grade_g_per_t=grade_g_per_t)
    return grains * grain_mg * 1000 / grade_g_per_t


def enough_grains_mass_g(grain_mg: float, grade_g_per_t: float, share: float = 1.0) -> float:
    """Return the sample in g expected to hold ENOUGH_GRAINS grains of `grain_mg`: counting chance is then about 22 % (one sd).

    `grain_mg` is the mass of the coarsest class that matters: it rules the spread. `share` of the gold (0 to 1) is in it.

    >>> enough_grains_mass_g(0.1, 5)
    400.0
    """
    need_positive(grain_mg=grain_mg)
    return sample_mass_g(ENOUGH_GRAINS, grain_mg, grade_g_per_t * share)


def grade_for_grains(grains: float, grain_mg: float, sample_g: float) -> float:
    """Return the grade in g/t at which a sample is expected to hold `grains` of `grain_mg`."""
    need_positive(sample_g=sample_g)
    return grains * grain_mg * 1000 / sample_g


def count_interval(count: int, level: float = 0.95) -> Interval:
    """Return the exact interval (Garwood 1936) of the mean behind a count of grains.

    Notes
    -----
    The lower limit makes so high a count a chance of (1 - level)/2, the upper limit so low a count.

    >>> count_interval(0).high
    3.6888794541139...
    """
    tail = (1 - _checked_level(level)) / 2
    if count < 0 or count != int(count):
        raise ValueError(f"A count is a whole number from 0 up, not {count}.")
    low = 0.0 if count == 0 else _solved(lambda mean: 1 - _gamma_above(count, mean) - tail, count)
    high = _solved(lambda mean: tail - _gamma_above(count + 1, mean), count + 1)
    return Interval(low, high, level)


def count_upper_limit(count: int, level: float = 0.95) -> float:
    """Return the one-sided upper limit of the mean behind a count: for none counted, -ln(1 - level)."""
    return count_interval(count, 2 * _checked_level(level) - 1).high


def dispersion_test(counts: Sequence[int]) -> Dispersion:
    """Return whether counts of equal samples scatter more than chance: sum (x - mean)^2 / mean against chi2(n - 1).

    More scatter means poor blending or clustered gold, and 1/sqrt(n) is then too small. Fewer than two counts or no grain
    at all raise ValueError.
    """
    if len(counts) < 2 or sum(counts) == 0:
        raise ValueError(
            phrase("A dispersion test needs two counts or more, and at least one grain among them.")
        )
    mean = sum(counts) / len(counts)
    squares = math.fsum((count - mean) ** 2 for count in counts)
    df = len(counts) - 1
    return Dispersion(mean, squares / df, squares / mean, df, _gamma_above(df / 2, squares / mean / 2))


def compare_counts(
    count_a: int, count_b: int, mass_a: float, mass_b: float, level: float = 0.95
) -> CountComparison:
    """Return the exact comparison of two counts of grains from ore of `mass_a` and `mass_b`.

    Conditional on the total, the first count is binomial with p = mass_a/(mass_a + mass_b) when the rates are equal
    (J. Przyborowski and H. Wilenski, Biometrika 31 (1940) 313). No grain at all raises ValueError.
    """
    from scipy.stats import binomtest

    need_positive(mass_a=mass_a, mass_b=mass_b)
    if count_a + count_b == 0:
        raise ValueError(phrase("Two counts of nothing cannot be compared."))
    test = binomtest(count_a, count_a + count_b, mass_a / (mass_a + mass_b))
    share = test.proportion_ci(_checked_level(level), method="exact")

    def ratio(of_total: float) -> float:
        return math.inf if of_total == 1 else of_total / (1 - of_total) * mass_b / mass_a

    return CountComparison(
        rate_ratio=ratio(count_a / (count_a + count_b)),
        interval=Interval(ratio(share.low), ratio(share.high), level),
        p_two_sided=float(test.pvalue),
    )


def mineralogical_factor(mineral_fraction: float, mineral_density: float, gangue_density: float) -> float:
    """Return Gy's c in g/cm3: ((1 - a)/a) ((1 - a) rho_mineral + a rho_gangue), a the mass fraction of the mineral."""
    if not 0 < mineral_fraction < 1:
        raise ValueError(f"The mineral's mass fraction lies between 0 and 1, not {mineral_fraction}.")
    rest = 1 - mineral_fraction
    return rest / mineral_fraction * (rest * mineral_density + mineral_fraction * gangue_density)


def liberation_factor(liberation_um: float, top_size_um: float, exponent: float) -> float:
    """Return Gy's l: (liberation size / top size)^exponent, 1 once the ore is no coarser than its gold."""
    need_positive(liberation_um=liberation_um, top_size_um=top_size_um)
    return min(1.0, (liberation_um / top_size_um) ** exponent)


def relative_variance(sampling_constant: float, stage: Stage) -> float:
    """Return f g c l d^3 (1/sample - 1/lot) times the stage's `times_chance`, d the top size (d95) in cm.

    A sample heavier than its lot raises ValueError.
    """
    need_positive(sample_g=stage.sample_g, top_size_um=stage.top_size_um, times_chance=stage.times_chance)
    if stage.lot_g is not None and stage.sample_g > stage.lot_g:
        raise ValueError(
            phrase(
                "A sample of {sample} g cannot come from a lot of {lot} g.",
                sample=stage.sample_g,
                lot=stage.lot_g,
            )
        )
    of_lot = 0.0 if stage.lot_g is None else 1 / stage.lot_g
    by_chance = sampling_constant * (stage.top_size_um * 1e-4) ** 3 * (1 / stage.sample_g - of_lot)
    return stage.times_chance * by_chance


def minimum_sample_g(
    sampling_constant: float, top_size_um: float, target_relative_sd: float, lot_g: float | None = None
) -> float:
    """Return the sample in g whose fundamental error is the target: 1/Ms = s^2/(f g c l d^3) + 1/Ml.

    A floor: segregation, careless splitting and assay errors come on top.
    """
    need_positive(
        sampling_constant=sampling_constant, top_size_um=top_size_um, target_relative_sd=target_relative_sd
    )
    of_lot = 0.0 if lot_g is None else 1 / lot_g
    return 1 / (target_relative_sd**2 / (sampling_constant * (top_size_um * 1e-4) ** 3) + of_lot)


def fundamental_error(
    *,
    grade_g_per_t: float,
    liberation_um: float,
    stage: Stage,
    liberation_exponent: float,
    gold_density: float = FINE_GOLD_DENSITY,
    gangue_density: float = QUARTZ_DENSITY,
    shape_factor: float = SHAPE_FACTOR,
    size_range_factor: float = SIZE_RANGE_FACTOR,
) -> FundamentalError:
    """Return Gy's fundamental error of a gold sample. Above about 0.3 to 0.5 relative sd the error is skewed."""
    c = mineralogical_factor(grade_g_per_t * 1e-6, gold_density, gangue_density)
    liberation = liberation_factor(liberation_um, stage.top_size_um, liberation_exponent)
    constant = shape_factor * size_range_factor * c * liberation
    return FundamentalError(liberation_exponent, c, liberation, constant, relative_variance(constant, stage))


def fundamental_errors(
    *, grade_g_per_t: float, liberation_um: float, stage: Stage, **factors
) -> list[FundamentalError]:
    """Return the fundamental error under each of LIBERATION_EXPONENTS: the truth is seldom outside the two."""
    return [
        fundamental_error(
            grade_g_per_t=grade_g_per_t,
            liberation_um=liberation_um,
            stage=stage,
            liberation_exponent=exponent,
            **factors,
        )
        for exponent in LIBERATION_EXPONENTS
    ]


def protocol_errors(
    *,
    grade_g_per_t: float,
    liberation_um: float,
    stages: Sequence[Stage],
    liberation_exponent: float,
    **factors,
) -> list[FundamentalError]:
    """Return the fundamental error of each splitting stage in order; see `total_error`."""
    return [
        fundamental_error(
            grade_g_per_t=grade_g_per_t,
            liberation_um=liberation_um,
            stage=stage,
            liberation_exponent=liberation_exponent,
            **factors,
        )
        for stage in stages
    ]


def total_error(errors: Sequence[FundamentalError]) -> TotalError:
    """Return the error of stages taken together: variances add, and crushing between stages adds none."""
    if not errors:
        raise ValueError("A protocol has at least one stage.")
    variances = [error.relative_variance for error in errors]
    return TotalError(math.fsum(variances), variances.index(max(variances)))


def finer_sieves(openings_um: Mapping[int, float], top_size_um: float, many: int) -> list[tuple[int, float]]:
    """Return the next `many` sieves of a series below a top size, as (number, opening in um), the coarsest first.

    `openings_um` maps sieve numbers to openings, as in `units.ASTM_E11_UM`. Fewer come back where the series ends.

    >>> finer_sieves({18: 1000, 20: 850, 25: 710, 30: 600}, 850, 2)
    [(25, 710.0), (30, 600.0)]
    """
    need_positive(top_size_um=top_size_um)
    below = [(number, float(opening)) for number, opening in openings_um.items() if opening < top_size_um]
    return sorted(below, key=lambda sieve: -sieve[1])[:many]


def split_protocol(
    *,
    grade_g_per_t: float,
    liberation_um: float,
    stages: Sequence[Stage],
    liberation_exponent: float,
    **factors,
) -> Protocol:
    """Return the error of a crush-and-split protocol, its worst stage named.

    Parameters
    ----------
    grade_g_per_t, liberation_um : float
    stages : sequence of Stage, one or more, in the order done
        Each stage splits what the one before kept, crushed finer or left as it was. A stage whose lot is heavier than the
        sample before it, or whose top size is coarser, raises ValueError. A stage without a name is called by its number.
    liberation_exponent : float
        See LIBERATION_EXPONENTS; `split_protocols` gives both.
    **factors
        As in `fundamental_error`.

    Notes
    -----
    A floor: segregation, careless splitting and the assay come on top, and scooping far above it (`scooping`).

    >>> stages = [Stage(5000, 2000, 20000, "bucket to 2 kg"), Stage(850, 500, 2000, "2 kg to a portion")]
    >>> split_protocol(grade_g_per_t=5, liberation_um=100, stages=stages, liberation_exponent=0.5).worst.name
    'bucket to 2 kg'
    """
    for place, (before, after) in enumerate(zip(stages, stages[1:], strict=False), start=2):
        if after.lot_g is None or after.lot_g > before.sample_g:
            raise ValueError(
                phrase(
                    "Stage {place} splits {lot}, but the stage before it kept {sample} g.",
                    place=place,
                    lot=phrase("a lot without end") if after.lot_g is None else f"{after.lot_g} g",
                    sample=before.sample_g,
                )
            )
        if after.top_size_um > before.top_size_um:
            raise ValueError(
                phrase(
                    "Stage {place} has pieces of {size} µm, but the stage before had none over {before} µm.",
                    place=place,
                    size=after.top_size_um,
                    before=before.top_size_um,
                )
            )
    errors = protocol_errors(
        grade_g_per_t=grade_g_per_t,
        liberation_um=liberation_um,
        stages=stages,
        liberation_exponent=liberation_exponent,
        **factors,
    )
    total = total_error(errors)
    whole = total.relative_variance
    return Protocol(
        liberation_exponent,
        tuple(
            StageError(
                stage.name or phrase("stage {place}", place=place),
                stage,
                error,
                error.relative_variance / whole if whole else 0.0,
            )
            for place, (stage, error) in enumerate(zip(stages, errors, strict=True), start=1)
        ),
        total,
    )


def split_protocols(
    *, grade_g_per_t: float, liberation_um: float, stages: Sequence[Stage], **factors
) -> list[Protocol]:
    """Return the protocol under each of LIBERATION_EXPONENTS: its worst stage may differ between the two."""
    return [
        split_protocol(
            grade_g_per_t=grade_g_per_t,
            liberation_um=liberation_um,
            stages=stages,
            liberation_exponent=exponent,
            **factors,
        )
        for exponent in LIBERATION_EXPONENTS
    ]


def ingamells_constant_g(relative_sd: float, sample_g: float) -> float:
    """Return Ks = R^2 w, R the relative sd in percent: the mass in g that gives 1 % (Ingamells and Switzer 1973)."""
    return (100 * relative_sd) ** 2 * sample_g


def ingamells_mass_g(constant_g: float, target_relative_sd: float) -> float:
    """Return the mass in g that gives the target relative sd by Ingamells's constant: Ks / R^2, R in percent."""
    need_positive(target_relative_sd=target_relative_sd)
    return constant_g / (100 * target_relative_sd) ** 2


def _checked_level(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    return level


def _solved(rising, start: float) -> float:
    """The root of an increasing function on the positive numbers, by halving an interval around it."""
    low, high = 0.0, max(1.0, 2 * start)
    while rising(high) < 0:
        low, high = high, 2 * high
    while True:
        middle = (low + high) / 2
        if not low < middle < high:
            return middle
        if rising(middle) < 0:
            low = middle
        else:
            high = middle


def _gamma_above(a: float, x: float) -> float:
    """The regularised upper incomplete gamma function Q(a, x).

    For whole a it is the chance of fewer than `a` grains where x are expected; chi2(df) exceeds y with chance
    Q(df/2, y/2). Series below a + 1, continued fraction (modified Lentz) above, where each converges fast (from memory:
    NIST Digital Library of Mathematical Functions, 8.11.4 and 8.9.2). Written out here because it runs on ordinary pages,
    which do not load scipy; the tests hold it against scipy.
    """
    if x <= 0:
        return 1.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        n = a
        while term > total * 1e-17:
            n += 1
            term *= x / n
            total += term
        return 1 - front * total
    tiny = 1e-300
    b = x + 1 - a
    c, d = 1 / tiny, 1 / b
    value = d
    step = 0.0
    i = 0
    while abs(step - 1) > 1e-15:
        i += 1
        numerator = -i * (i - a)
        b += 2
        d = 1 / ((numerator * d + b) or tiny)
        c = (b + numerator / c) or tiny
        step = d * c
        value *= step
    return front * value
