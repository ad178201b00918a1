"""Colours (visible gold grains): size classes, masses by shape, fall in water, and gold reckoned from counts by class.

Plain Python, so ordinary pages may use it. Masses of balls and round flakes are in `sampling`. Sources, by name from memory
unless a docstring says more: J. H. Wells, Placer Examination, US Bureau of Land Management Technical Bulletin 4 (1969);
R. J. Macdonald, Handbook of Gold Exploration and Evaluation (2007), equation 4.3; R. I. Ferguson and M. Church, Journal of
Sedimentary Research 74 (2004) 933; R. Clift, J. R. Grace and M. E. Weber, Bubbles, Drops and Particles (1978).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.checks import need_positive
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import FINE_GOLD_DENSITY, Interval
from prospecting.calc.units import convert_mass

# Limits of the Bureau's classes by mass: No. 1 above 4 mg, No. 2 from 1 to 4 mg, No. 3 below 1 mg.
CLASS_LIMITS_MG = (4.0, 1.0)
SIZE_NAMES = ("coarse", "medium", "fine", "very fine")
# 0.06, 0.03 and 0.015 inch.
SIZE_LIMITS_MM = (1.524, 0.762, 0.381)
MM_PER_INCH = 25.4

# Water at 20 degrees C (handbook values, from memory) and standard gravity.
WATER_DENSITY_KG_PER_M3 = 998.2
WATER_VISCOSITY_PA_S = 0.001002
GRAVITY_M_PER_S2 = 9.80665

STOKES_REYNOLDS = 0.5
SCHILLER_NAUMANN_REYNOLDS = 1000.0
# Constants of Ferguson and Church: the viscous limit, and the drag of a smooth ball or of natural grains.
VISCOUS_C1 = 18.0
BALL_C2 = 0.4
NATURAL_C2 = 1.0

STOKES_EXPONENT, NEWTON_EXPONENT = 0.5, 1.0


@dataclass(frozen=True)
class GrainShape:
    """A grain measured along three axes: how flat it is, the ball of its volume, and its mass were it an ellipsoid."""

    corey_factor: float
    flatness: float
    nominal_diameter_mm: float
    mass_mg: float


@dataclass(frozen=True)
class Water:
    """The water a grain falls through."""

    density_kg_per_m3: float = WATER_DENSITY_KG_PER_M3
    viscosity_pa_s: float = WATER_VISCOSITY_PA_S
    gravity_m_per_s2: float = GRAVITY_M_PER_S2


STILL_WATER = Water()


@dataclass(frozen=True)
class Fall:
    """Steady fall of one ball through still water; `is_valid` says whether the law holds at this Reynolds number."""

    velocity_m_per_s: float
    reynolds: float
    is_valid: bool


@dataclass(frozen=True)
class CountedGold:
    """Gold reckoned from counts by class, with what counting chance alone does to it (class masses taken as known)."""

    gold_mg: float
    sd_mg: float

    @property
    def relative_sd(self) -> float:
        return self.sd_mg / self.gold_mg if self.gold_mg else math.inf


def colour_class(mass_mg: float) -> int:
    """Return the panning class of a colour by its mass: 1 above 4 mg, 2 from 1 to 4 mg, 3 below 1 mg.

    The bulletin leaves exactly 1 and 4 mg open; here both are No. 2. A mass not above zero raises ValueError.

    >>> colour_class(4.2), colour_class(4.0), colour_class(0.3)
    (1, 2, 3)
    """
    need_positive(mass_mg=mass_mg)
    upper, lower = CLASS_LIMITS_MG
    return 1 if mass_mg > upper else 2 if mass_mg >= lower else 3


def size_class(diameter_mm: float, limits_mm: Sequence[float] = SIZE_LIMITS_MM) -> str:
    """Return the size name of a colour: coarse, medium, fine or very fine.

    `limits_mm` are the three limits between the names, falling; a diameter on a limit takes the finer name. Limits that do
    not fall raise ValueError. Source: a state bulletin on the size of gold particles, limits 0.06, 0.03 and 0.015 inch.
    The sieve opening a flake passes is not its diameter.

    >>> size_class(0.5)
    'fine'
    """
    need_positive(diameter_mm=diameter_mm)
    if len(limits_mm) != 3 or not limits_mm[0] > limits_mm[1] > limits_mm[2] > 0:
        raise ValueError(f"Three falling limits stand between the size names, not {list(limits_mm)}.")
    return SIZE_NAMES[sum(1 for limit in limits_mm if diameter_mm <= limit)]


def mean_colour_mg(colours_per_ozt: float) -> float:
    """Return the mean mass in mg of colours of which so many make a troy ounce.

    >>> mean_colour_mg(12_000)
    2.5919564
    """
    need_positive(colours_per_ozt=colours_per_ozt)
    return float(convert_mass(1, "ozt", "mg")) / colours_per_ozt


def mean_colour_of_pans_mg(golds_mg: Sequence[Decimal], colours: Sequence[int]) -> float:
    """Return the mean mass of a colour in mg, from pans both weighed and counted: all their gold over all their colours.

    Each gold stands beside its count, else ValueError; so does no colour at all.

    >>> mean_colour_of_pans_mg([Decimal("2.0"), Decimal("4.0")], [4, 8])
    0.5
    """
    if len(golds_mg) != len(colours):
        raise ValueError(f"{len(golds_mg)} pans were weighed and {len(colours)} counted: each needs both.")
    counted = sum(colours)
    if not counted:
        raise ValueError(phrase("No colour has no mean mass."))
    return float(sum(golds_mg)) / counted


def colours_per_ozt(mean_mg: float) -> float:
    """Return how many colours of this mean mass make a troy ounce."""
    need_positive(mean_mg=mean_mg)
    return float(convert_mass(1, "ozt", "mg")) / mean_mg


def cube_side_mm(mass_g: float, density: float = FINE_GOLD_DENSITY) -> float:
    """Return the side in mm of a cube of `mass_g`, density in g/cm3: how little room gold takes.

    >>> round(cube_side_mm(31.1034768), 2)
    11.72
    """
    need_positive(mass_g=mass_g, density=density)
    return 10 * math.cbrt(mass_g / density)


def grain_shape(
    length_mm: float, breadth_mm: float, thickness_mm: float, density: float = FINE_GOLD_DENSITY
) -> GrainShape:
    """Return shape and mass of a grain from its three axes at right angles, longest first.

    Corey's factor T / sqrt(L B), Cailleux's flatness (L + B) / 2T (1945), nominal diameter (L B T)^(1/3), and the mass of an
    ellipsoid, pi/6 L B T rho with rho in g/cm3. Raises ValueError unless length >= breadth >= thickness > 0.

    >>> round(grain_shape(1.2, 0.8, 0.15).corey_factor, 3)
    0.153
    """
    need_positive(length_mm=length_mm, breadth_mm=breadth_mm, thickness_mm=thickness_mm, density=density)
    if not length_mm >= breadth_mm >= thickness_mm:
        raise ValueError(
            phrase(
                "Length, breadth and thickness do not rise in this order: {length}, {breadth}, {thickness} mm.",
                length=length_mm,
                breadth=breadth_mm,
                thickness=thickness_mm,
            )
        )
    volume_mm3 = length_mm * breadth_mm * thickness_mm
    return GrainShape(
        corey_factor=thickness_mm / math.sqrt(length_mm * breadth_mm),
        flatness=(length_mm + breadth_mm) / (2 * thickness_mm),
        nominal_diameter_mm=math.cbrt(volume_mm3),
        # 1 g/cm3 is 1 mg/mm3.
        mass_mg=math.pi / 6 * volume_mm3 * density,
    )


def stokes_fall(
    diameter_um: float,
    density_kg_per_m3: float,
    water: Water = STILL_WATER,
    *,
    beyond_limit: str = "refuse",
) -> Fall:
    """Return the fall of a small ball by Stokes's law: (rho_s - rho_w) g d^2 / (18 mu).

    Parameters
    ----------
    diameter_um, density_kg_per_m3 : float
        Of one ball, alone and far from walls. Not denser than the water raises ValueError.
    beyond_limit : {"refuse", "tell"}
        What to do when the Reynolds number is above 0.5, where the law gives too much: raise ValueError, or return the
        figure with `is_valid` False.

    Notes
    -----
    G. G. Stokes (1851); the limit as in Wills' Mineral Processing Technology, chapter on classification (from memory).

    >>> fall = stokes_fall(20, 19_300)
    >>> round(1000 * fall.velocity_m_per_s, 2), fall.is_valid
    (3.98, True)
    """
    if beyond_limit not in ("refuse", "tell"):
        raise ValueError(f'Beyond its limit the law can "refuse" or "tell", not {beyond_limit!r}.')
    diameter_m, excess = _ball_in_water(diameter_um, density_kg_per_m3, water)
    velocity = excess * water.gravity_m_per_s2 * diameter_m**2 / (18 * water.viscosity_pa_s)
    reynolds = _reynolds(velocity, diameter_m, water)
    is_valid = reynolds <= STOKES_REYNOLDS
    if not is_valid and beyond_limit == "refuse":
        raise ValueError(
            phrase(
                "Stokes's law holds up to a Reynolds number of {most}; {diameter} um at {density} kg/m3 gives {number}.",
                most=STOKES_REYNOLDS,
                diameter=diameter_um,
                density=density_kg_per_m3,
                number=numeral(reynolds, ".3g"),
            )
        )
    return Fall(velocity, reynolds, is_valid)


def schiller_naumann_fall(diameter_um: float, density_kg_per_m3: float, water: Water = STILL_WATER) -> Fall:
    """Return the fall of a ball with Schiller and Naumann's drag, Cd = 24/Re (1 + 0.15 Re^0.687).

    Valid up to a Reynolds number of 1000; beyond it, and for a ball not denser than the water, raises ValueError. Balls
    only: flakes fall slower.

    Notes
    -----
    L. Schiller and A. Naumann (1935) as given by Clift, Grace and Weber (1978). Weight and drag balance where
    Re (1 + 0.15 Re^0.687) is the Reynolds number Stokes's law would give.

    >>> round(schiller_naumann_fall(200, 19_300).velocity_m_per_s, 4)
    0.1544
    """
    stokes = stokes_fall(diameter_um, density_kg_per_m3, water, beyond_limit="tell")
    reynolds = _root(lambda re: re * (1 + 0.15 * re**0.687) - stokes.reynolds, stokes.reynolds)
    if reynolds > SCHILLER_NAUMANN_REYNOLDS:
        raise ValueError(
            phrase(
                "Schiller and Naumann's drag holds up to a Reynolds number of {most}; {diameter} um at {density} kg/m3 "
                "gives {number}.",
                most=numeral(SCHILLER_NAUMANN_REYNOLDS, ".0f"),
                diameter=diameter_um,
                density=density_kg_per_m3,
                number=numeral(reynolds, ".4g"),
            )
        )
    return Fall(stokes.velocity_m_per_s * reynolds / stokes.reynolds, reynolds, True)


def ferguson_church_velocity(
    diameter_um: float,
    density_kg_per_m3: float,
    water: Water = STILL_WATER,
    *,
    c1: float = VISCOUS_C1,
    c2: float = NATURAL_C2,
) -> float:
    """Return the fall in m/s by Ferguson and Church's closed form: R g d^2 / (C1 nu + sqrt(0.75 C2 R g d^3)).

    R is (rho_s - rho_w) / rho_w, nu the kinematic viscosity. C2 is 0.4 for a smooth ball, 1.0 for natural sand, more for
    flakes. From slow to fast without a gap: it becomes Stokes's law (C1 = 18) for small and Newton's for large grains. A
    grain not denser than the water raises ValueError.

    >>> round(ferguson_church_velocity(200, 19_300, c2=BALL_C2), 4)
    0.1852
    """
    need_positive(c1=c1, c2=c2)
    diameter_m, excess = _ball_in_water(diameter_um, density_kg_per_m3, water)
    pull = excess / water.density_kg_per_m3 * water.gravity_m_per_s2
    viscosity = water.viscosity_pa_s / water.density_kg_per_m3
    return pull * diameter_m**2 / (c1 * viscosity + math.sqrt(0.75 * c2 * pull * diameter_m**3))


def concentration_criterion(heavy_density: float, light_density: float, water_density: float = 1.0) -> float:
    """Return (rho_heavy - rho_water) / (rho_light - rho_water), densities in any one unit (Taggart 1945).

    The light mineral has to be denser than the water, else ValueError.
    """
    need_positive(water_density=water_density)
    if not heavy_density >= light_density > water_density:
        raise ValueError(
            phrase(
                "Densities do not rise from water ({water}) over the light mineral ({light}) to the heavy one ({heavy}).",
                water=water_density,
                light=light_density,
                heavy=heavy_density,
            )
        )
    return (heavy_density - water_density) / (light_density - water_density)


def equal_settling_ratio(
    heavy_density: float, light_density: float, water_density: float = 1.0, *, exponent: float
) -> float:
    """Return how many times wider a light grain is that falls as fast as a heavy one: the criterion to an exponent.

    `exponent` is 0.5 where Stokes's law holds and 1 where Newton's does; in between it lies between (H. A. Tourtelot, US
    Geological Survey Professional Paper 594-F, 1968). Any other exponent raises ValueError.

    >>> round(equal_settling_ratio(19.3, 2.65, exponent=STOKES_EXPONENT), 2)
    3.33
    """
    if not STOKES_EXPONENT <= exponent <= NEWTON_EXPONENT:
        raise ValueError(f"The exponent lies between 0.5 (Stokes) and 1 (Newton), not {exponent}.")
    return concentration_criterion(heavy_density, light_density, water_density) ** exponent


def equal_settling_diameter_um(
    diameter_um: float,
    density_kg_per_m3: float,
    other_density_kg_per_m3: float,
    water: Water = STILL_WATER,
    *,
    c2: float = BALL_C2,
) -> float:
    """Return the diameter in um of a grain of another density that falls as fast, both by Ferguson and Church's form.

    `c2` is their drag constant for both grains (0.4 for balls). A grain not denser than the water raises ValueError.

    >>> round(equal_settling_diameter_um(100, 19_300, 2650), 1)
    391.6
    """
    velocity = ferguson_church_velocity(diameter_um, density_kg_per_m3, water, c2=c2)
    # Checked here, so that a floating grain is named and not searched for.
    _ball_in_water(diameter_um, other_density_kg_per_m3, water)
    return _root(
        lambda um: ferguson_church_velocity(um, other_density_kg_per_m3, water, c2=c2) - velocity, diameter_um
    )


def gold_of_colours(counts: Sequence[int], mean_mg: Sequence[float]) -> CountedGold:
    """Return the gold in counted colours: sum of n_i m_i, with variance sum of n_i m_i^2 from counting alone.

    Parameters
    ----------
    counts : sequence of int, shape (k,)
        Colours of each class, whole numbers from 0 up; a class looked for and not found is 0, not left out.
    mean_mg : sequence of float, shape (k,)
        Mean mass of a colour of each class, above zero, in mg. Weigh them for the ground at hand: the same count in another
        class is another grade.

    Notes
    -----
    Counts vary by chance as in a compound Poisson process (C. O. Ingamells and F. F. Pitard, Applied Geochemical Analysis,
    1986). The spread within a class is not in it. Where nothing was counted the sd says nothing: see `gold_interval_mg`.

    >>> gold_of_colours([2, 9, 40], [6.0, 2.0, 0.3]).gold_mg
    42.0
    """
    _checked_classes(counts, mean_mg)
    return CountedGold(
        gold_mg=math.fsum(n * m for n, m in zip(counts, mean_mg, strict=True)),
        sd_mg=math.sqrt(math.fsum(n * m * m for n, m in zip(counts, mean_mg, strict=True))),
    )


def gold_interval_mg(counts: Sequence[int], mean_mg: Sequence[float], level: float = 0.95) -> Interval:
    """Return limits in mg of the gold that stands behind counts by class; with nothing counted there still is an upper one.

    Parameters
    ----------
    counts, mean_mg : sequences, shape (k,)
        As in `gold_of_colours`.
    level : float
        Confidence, between 0 and 1.

    Notes
    -----
    The gamma limits of M. P. Fay and E. J. Feuer, Statistics in Medicine 16 (1997) 791, from memory: made for weighted sums
    of Poisson counts, hardly ever too narrow, and Garwood's exact limits when there is one class.

    >>> gold_interval_mg([0, 0], [2.0, 0.3]).high
    7.377758908...
    """
    from scipy.special import gammaincinv

    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    found = gold_of_colours(counts, mean_mg)
    tail = (1 - level) / 2
    low = 0.0
    if found.gold_mg:
        variance = found.sd_mg**2
        low = variance / found.gold_mg * gammaincinv(found.gold_mg**2 / variance, tail)
    # One more colour, of the heaviest class.
    gold, variance = found.gold_mg + max(mean_mg), found.sd_mg**2 + max(mean_mg) ** 2
    high = variance / gold * gammaincinv(gold**2 / variance, 1 - tail)
    return Interval(float(low), float(high), level)


def _checked_classes(counts: Sequence[int], mean_mg: Sequence[float]) -> None:
    if len(counts) != len(mean_mg) or not counts:
        raise ValueError(f"{len(counts)} counts need as many class masses, not {len(mean_mg)}.")
    for count in counts:
        if not count >= 0 or count != int(count):
            raise ValueError(f"A count is a whole number from 0 up, not {count}.")
    for mass in mean_mg:
        need_positive(mean_mg=mass)


def _ball_in_water(diameter_um: float, density_kg_per_m3: float, water: Water) -> tuple[float, float]:
    """The diameter in m, and how much denser than the water the ball is, in kg/m3."""
    need_positive(
        diameter_um=diameter_um,
        density_kg_per_m3=density_kg_per_m3,
        water_density_kg_per_m3=water.density_kg_per_m3,
        viscosity_pa_s=water.viscosity_pa_s,
        gravity_m_per_s2=water.gravity_m_per_s2,
    )
    excess = density_kg_per_m3 - water.density_kg_per_m3
    if excess <= 0:
        raise ValueError(
            phrase(
                "A grain of {grain} kg/m3 does not sink in water of {water} kg/m3.",
                grain=density_kg_per_m3,
                water=water.density_kg_per_m3,
            )
        )
    return diameter_um * 1e-6, excess


def _reynolds(velocity_m_per_s: float, diameter_m: float, water: Water) -> float:
    return velocity_m_per_s * diameter_m * water.density_kg_per_m3 / water.viscosity_pa_s


def _root(rising, start: float) -> float:
    """The root of an increasing function on the positive numbers, by halving an interval around it."""
    low = high = start
    while rising(low) > 0:
        low /= 2
    while rising(high) < 0:
        high *= 2
    while True:
        middle = (low + high) / 2
        if not low < middle < high:
            return middle
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
