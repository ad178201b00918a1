"""Portions cut by a measure instead of a scale: what a measure of this material weighs, from one weighing of it."""

from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

# Solid quartz has 2.65 g/mL (2648.4 kg/m3, handbook value); broken rock has air between its pieces, so loose ore weighs less.
# Wells, Placer Examination, BLM Technical Bulletin 4, 1969: a pan of 336 cubic inches holds 20 lb, 1.65 g/mL.
SOLID_QUARTZ_G_PER_ML = Decimal("2.65")
# Loose dry rock lighter than this is rarer than a slip of the unit (common practice, no source).
LIGHTEST_USUAL_G_PER_ML = Decimal("0.9")
# Solid gold (handbook value, from memory): nothing a prospector measures out is denser.
GOLD_G_PER_ML = Decimal("19.3")
LEAST_G_PER_ML = Decimal("0.1")
# What the database keeps.
_DENSITY_STEP = Decimal("0.0001")


def bulk_density_g_per_ml(mass_g: Decimal, volume_ml: Decimal) -> Decimal:
    """Return what one mL of loose material weighs, in g/mL to four decimals, from `mass_g` of it that filled `volume_ml`.

    Raises ValueError for nothing weighed or measured, and for what no ore can be: under 0.1 g/mL, or denser than gold.

    >>> bulk_density_g_per_ml(Decimal("575"), Decimal("400"))
    Decimal('1.4375')
    """
    if mass_g <= 0 or volume_ml <= 0:
        raise ValueError(phrase("A bulk density needs a mass and a volume of more than nothing."))
    density = (mass_g / volume_ml).quantize(_DENSITY_STEP)
    if not LEAST_G_PER_ML <= density <= GOLD_G_PER_ML:
        raise ValueError(
            phrase(
                "That would be {density} g in each mL, which no ore is. Check the volume, the mass and their units.",
                density=_shown(density),
            )
        )
    return density


def measured_mass_g(measure_ml: Decimal, density_g_per_ml: Decimal) -> Decimal:
    """Return what `measure_ml` of loose material weighs, in g: volume times bulk density.

    Raises ValueError when either is not above zero. Assumes that the measure is filled as it was when the density was
    weighed: shaken or damp material packs differently.

    >>> measured_mass_g(Decimal("250"), Decimal("1.6000"))
    Decimal('400.0000')
    """
    if measure_ml <= 0 or density_g_per_ml <= 0:
        raise ValueError(phrase("A measured mass needs a volume and a bulk density of more than nothing."))
    return measure_ml * density_g_per_ml


def question_about(density_g_per_ml: Decimal) -> str | None:
    """Return a question when a bulk density is unusual for loose ore, else None."""
    shown = _shown(density_g_per_ml)
    if density_g_per_ml > SOLID_QUARTZ_G_PER_ML:
        return phrase(
            "{density} g in each mL is denser than solid quartz (2.65), and loose ore has air in it: about 1.3 to 1.8 is "
            "usual. Are the volume, the mass and their units right?",
            density=shown,
        )
    if density_g_per_ml < LIGHTEST_USUAL_G_PER_ML:
        return phrase(
            "{density} g in each mL is lighter than water; loose ore has about 1.3 to 1.8. "
            "Are the volume, the mass and their units right?",
            density=shown,
        )
    return None


def _shown(density: Decimal) -> str:
    return numeral(density, ".2f")
