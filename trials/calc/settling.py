"""How fast grains fall in water: Stokes and where it ends, drag laws beyond it, and crowded water.

For spheres, or as a law says for natural grains. Gold flakes fall several times slower than a sphere of their mass and clay
flocs have a density of their own: these speeds put things in order, they don't predict a jar.
"""

import math
from dataclasses import dataclass

from prospecting.calc.checks import numbers
from prospecting.calc.number_words import numeral
from trials.calc.simultaneous import find_root

GRAVITY_M_S2 = 9.80665
# Reynolds number to which Stokes is fine (2 to 3 % high there), and beyond which it is refused (about 15 % high at 1).
STOKES_FINE = 0.1
STOKES_END = 1.0
# Where the laws were fitted; the second from memory.
DRAG_ENDS = {"schiller_naumann": 800.0, "fair_geyer": 1e4}
COLDEST_C, WARMEST_C = 0.0, 40.0


@dataclass(frozen=True)
class Settling:
    """Speed of one grain by Stokes. `caution` is empty where the law is fine."""

    velocity_mm_s: float
    reynolds: float
    minutes_to_fall_100_mm: float
    caution: str


@dataclass(frozen=True)
class DragSettling:
    """Speed of one sphere by a drag law, with what Stokes would say and by what factor that is too fast."""

    velocity_mm_s: float
    reynolds: float
    drag_coefficient: float
    stokes_velocity_mm_s: float
    stokes_overstates_by_factor: float


def stokes(
    diameter_um: float,
    particle_density_kg_m3: float,
    viscosity_mpa_s: float = 1.002,
    water_density_kg_m3: float = 998.2,
    *,
    beyond_its_end: bool = False,
) -> Settling:
    """Return the speed of a small sphere in still water by Stokes' law.

    Parameters
    ----------
    diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3 : float
        Above 0; the grain denser than the water. The defaults are water at 20 C (handbook values, from memory).
    beyond_its_end : bool
        Give the bare formula, with a caution, even above a Reynolds number of 1, where it is no speed any more.

    Raises
    ------
    ValueError
        A value not above 0, a grain that would float, a Reynolds number above 1 (unless asked for).

    Notes
    -----
    v = g (rho_p - rho_w) d^2 / (18 mu), Re = rho_w v d / mu, g = 9.80665 m/s2 (Stokes 1851). Above Re 0.1 the caution says
    how far off it may be.

    >>> round(stokes(10, 2650).velocity_mm_s, 4)
    0.0898
    """
    d, mu, excess = _grain(diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3)
    velocity = GRAVITY_M_S2 * excess * d**2 / (18 * mu)
    reynolds = water_density_kg_m3 * velocity * d / mu
    caution = ""
    if reynolds > STOKES_END:
        caution = f"Reynolds number {numeral(reynolds, '.3g')}: Stokes ends at {numeral(STOKES_END, 'g')}, use a drag law."
        if not beyond_its_end:
            raise ValueError(f"{numeral(diameter_um, 'g')} um: {caution}")
    elif reynolds > STOKES_FINE:
        caution = (
            f"Reynolds number {numeral(reynolds, '.2g')}, above {numeral(STOKES_FINE, 'g')}: Stokes is up to "
            "about 15 % too fast."
        )
    return Settling(velocity * 1000, reynolds, 0.1 / velocity / 60, caution)


def by_drag(
    diameter_um: float,
    particle_density_kg_m3: float,
    drag_law: str = "schiller_naumann",
    viscosity_mpa_s: float = 1.002,
    water_density_kg_m3: float = 998.2,
) -> DragSettling:
    """Return the speed of a sphere in still water by a drag law.

    Parameters
    ----------
    diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3 : as in `stokes`
    drag_law : "schiller_naumann" or "fair_geyer"

    Raises
    ------
    ValueError
        As in `stokes`; another law; a Reynolds number beyond the law's reach (800; 10,000).

    Notes
    -----
    Weight in water = drag: Cd Re^2 = 4 g rho_w (rho_p - rho_w) d^3 / (3 mu^2), solved for Re between brackets.
    Cd = 24/Re (1 + 0.15 Re^0.687) (Schiller and Naumann 1933); Cd = 24/Re + 3/sqrt(Re) + 0.34 (Fair, Geyer and Okun).

    >>> round(by_drag(200, 2650).velocity_mm_s, 2)
    24.79
    """
    if drag_law not in DRAG_ENDS:
        raise ValueError(f"{drag_law!r}: the drag laws are {', '.join(DRAG_ENDS)}.")
    d, mu, excess = _grain(diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3)
    pull = 4 * GRAVITY_M_S2 * water_density_kg_m3 * excess * d**3 / (3 * mu**2)
    by_stokes = pull / 24

    def beyond(log_reynolds: float) -> float:
        reynolds = math.exp(log_reynolds)
        return math.log(_drag(reynolds, drag_law) * reynolds**2 / pull)

    # Both laws lie above 24/Re, so Stokes is the upper bracket; Cd Re^2 grows with Re.
    low = math.log(by_stokes) - 1
    while beyond(low) > 0:
        low -= 2
    reynolds = math.exp(find_root(beyond, low, math.log(by_stokes) + 1e-9, tolerance=1e-14))
    if reynolds > DRAG_ENDS[drag_law]:
        raise ValueError(
            f"{numeral(diameter_um, 'g')} um gives a Reynolds number of {numeral(reynolds, '.4g')}: {drag_law} ends "
            f"at {numeral(DRAG_ENDS[drag_law], 'g')}."
        )
    velocity = reynolds * mu / (water_density_kg_m3 * d)
    stokes_velocity = by_stokes * mu / (water_density_kg_m3 * d)
    return DragSettling(
        velocity * 1000,
        reynolds,
        _drag(reynolds, drag_law),
        stokes_velocity * 1000,
        stokes_velocity / velocity,
    )


def ferguson_church_mm_s(
    diameter_um: float,
    particle_density_kg_m3: float,
    c1: float = 18.0,
    c2: float = 1.0,
    viscosity_mpa_s: float = 1.002,
    water_density_kg_m3: float = 998.2,
) -> float:
    """Return the speed in mm/s by one explicit law from clay to gravel.

    Parameters
    ----------
    diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3 : as in `stokes`
    c1, c2 : float
        Above 0: 18 and 0.4 for smooth spheres, 18 and about 1.0 for natural grains.

    Notes
    -----
    w = R g D^2 / (C1 nu + sqrt(0.75 C2 R g D^3)), R = (rho_p - rho_w) / rho_w (Ferguson and Church 2004, J. Sediment. Res.
    74, 933-937). Small grains give Stokes (C1 18), large ones a constant drag coefficient C2. Errors as in `stokes`.

    >>> round(ferguson_church_mm_s(200, 2650), 2)
    23.24
    """
    numbers([c1, c2], "a constant of the law", above=0)
    d, mu, excess = _grain(diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3)
    pull = GRAVITY_M_S2 * excess / water_density_kg_m3
    return 1000 * pull * d**2 / (c1 * mu / water_density_kg_m3 + math.sqrt(0.75 * c2 * pull * d**3))


def hindered_mm_s(single_velocity_mm_s: float, solids_volume_fraction: float, index_n: float) -> float:
    """Return the speed in mm/s at which crowded grains settle: v0 (1 - phi)^n.

    Parameters
    ----------
    single_velocity_mm_s : float
        Speed of one grain alone, above 0.
    solids_volume_fraction : float
        Share of the volume, not of the mass, that is solid; from 0 to below 1. Near 0.6 grains already touch.
    index_n : float
        From `crowding_index`, above 0.

    Raises
    ------
    ValueError
        A value out of its range.

    Notes
    -----
    Richardson and Zaki 1954, Trans. Inst. Chem. Eng. 32, 35-53: one size of grains that don't clump.

    >>> round(hindered_mm_s(0.0221, 0.3, 4.5), 5)
    0.00444
    """
    numbers([single_velocity_mm_s], "a speed in mm/s", above=0)
    numbers([index_n], "the index n", above=0)
    if not 0 <= solids_volume_fraction < 1:
        raise ValueError(f"{solids_volume_fraction} as share of solids: by volume it is from 0 to below 1.")
    return single_velocity_mm_s * (1 - solids_volume_fraction) ** index_n


def solids_fraction_from_speed(
    single_velocity_mm_s: float, hindered_velocity_mm_s: float, index_n: float
) -> float:
    """Return the share of solids by volume that slows a grain so far: 1 - (v / v0)^(1/n).

    ValueError for a value not above 0, or a crowded speed above that of one grain alone.

    >>> round(solids_fraction_from_speed(17, 1.7, 4.5), 3)
    0.401
    """
    numbers([single_velocity_mm_s, hindered_velocity_mm_s], "a speed in mm/s", above=0)
    numbers([index_n], "the index n", above=0)
    if hindered_velocity_mm_s > single_velocity_mm_s:
        raise ValueError(
            f"{numeral(hindered_velocity_mm_s, 'g')} mm/s crowded and {numeral(single_velocity_mm_s, 'g')} mm/s "
            "alone: crowding only slows."
        )
    return 1 - (hindered_velocity_mm_s / single_velocity_mm_s) ** (1 / index_n)


def crowding_index(reynolds: float) -> float:
    """Return Richardson and Zaki's index n for one grain's Reynolds number, in a wide vessel.

    ValueError unless above 0. The pieces (4.65; 4.35 Re^-0.03 from 0.2; 4.45 Re^-0.1 from 1; 2.39 from 500) are from memory and
    jump by up to 2 % where they meet; the term for a narrow vessel is left out.

    >>> crowding_index(0.05)
    4.65
    """
    numbers([reynolds], "a Reynolds number", above=0)
    if reynolds < 0.2:
        return 4.65
    if reynolds < 1:
        return 4.35 * reynolds**-0.03
    if reynolds < 500:
        return 4.45 * reynolds**-0.1
    return 2.39


def solids_fraction(dry_solids_g: float, solids_density_g_per_ml: float, water_ml: float) -> float:
    """Return the share of solids by volume of a slurry made from dry solids and water.

    ValueError for solids below 0, or a density or water not above 0. Assumes grains without air in them.

    >>> round(solids_fraction(100, 2.65, 1000), 4)
    0.0364
    """
    numbers([solids_density_g_per_ml], "a density in g/mL", above=0)
    numbers([water_ml], "water in mL", above=0)
    if not (dry_solids_g >= 0 and math.isfinite(dry_solids_g)):
        raise ValueError(f"{dry_solids_g} g of dry solids: it must be 0 or more.")
    volume = dry_solids_g / solids_density_g_per_ml
    return volume / (volume + water_ml)


def water_viscosity_mpa_s(temperature_c: float) -> float:
    """Return the viscosity of clean water in mPa s; cold water nearly halves settling.

    ValueError outside 0 to 40 C.

    Notes
    -----
    log10(mu / mu20) = (20 - T) / (T + 96) (1.2364 - 1.37e-3 (20 - T) + 5.7e-6 (20 - T)^2), mu20 = 1.002 (Kestin, Sokolov and
    Wakeham 1978, J. Phys. Chem. Ref. Data 7, 941-948; from memory). Clay in the water makes it thicker than this.

    >>> round(water_viscosity_mpa_s(5), 2)
    1.52
    """
    if not COLDEST_C <= temperature_c <= WARMEST_C:
        raise ValueError(
            f"{temperature_c} C: the formula holds from {numeral(COLDEST_C, 'g')} to {numeral(WARMEST_C, 'g')} C."
        )
    cold = 20 - temperature_c
    return 1.002 * 10 ** (cold / (temperature_c + 96) * (1.2364 - 1.37e-3 * cold + 5.7e-6 * cold**2))


def _grain(
    diameter_um, particle_density_kg_m3, viscosity_mpa_s, water_density_kg_m3
) -> tuple[float, float, float]:
    """Diameter in m, viscosity in Pa s, density of the grain beyond the water's in kg/m3."""
    numbers([diameter_um], "a diameter in um", above=0)
    numbers([viscosity_mpa_s], "a viscosity in mPa s", above=0)
    numbers([water_density_kg_m3], "a water density in kg/m3", above=0)
    numbers([particle_density_kg_m3], "a grain density in kg/m3", above=0)
    if not particle_density_kg_m3 > water_density_kg_m3:
        raise ValueError(
            f"A grain of {numeral(particle_density_kg_m3, 'g')} kg/m3 does not sink in water of "
            f"{numeral(water_density_kg_m3, 'g')} kg/m3."
        )
    return diameter_um * 1e-6, viscosity_mpa_s * 1e-3, particle_density_kg_m3 - water_density_kg_m3


def _drag(reynolds: float, law: str) -> float:
    if law == "schiller_naumann":
        return 24 / reynolds * (1 + 0.15 * reynolds**0.687)
    return 24 / reynolds + 3 / math.sqrt(reynolds) + 0.34
