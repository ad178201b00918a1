"""Numbers in the reader's own units. Every mass, grade and dose on a page passes through here."""

from django import template

from prospecting.calc import number_words, units

register = template.Library()


def _member_unit(context: dict, name: str, default: str) -> str:
    request = context.get("request")
    return getattr(getattr(request, "user", None), name, default)


@register.simple_tag(takes_context=True)
def mass(context: dict, mass_g) -> str:
    """A mass of material in the reader's unit."""
    return units.format_mass(mass_g, _member_unit(context, "mass_unit", "kg"))


@register.simple_tag(takes_context=True)
def grade(context: dict, grade_g_per_t) -> str:
    """A grade in the reader's unit."""
    return units.format_grade(grade_g_per_t, _member_unit(context, "grade_unit", "g_per_t"))


@register.simple_tag(takes_context=True)
def dose(context: dict, dose_ml_per_l) -> str:
    """A dose in the reader's unit."""
    return units.format_dose(dose_ml_per_l, _member_unit(context, "dose_unit", "ml_per_l"))


@register.simple_tag
def gold(mass_mg) -> str:
    """A mass of gold, always in mg."""
    return units.format_gold_mg(mass_mg)


@register.simple_tag
def temperature(celsius) -> str:
    """A temperature of water in both scales."""
    return units.format_temperature(celsius)


@register.simple_tag
def hardness(mg_per_l) -> str:
    """A hardness of water in mg/L and grains per gallon."""
    return units.format_hardness(mg_per_l)


@register.filter
def numeral(value, spec: str = "") -> str:
    """A number that stands bare in the books, or in a template, with its reader's decimal mark. Nothing for None."""
    return (
        number_words.in_mark(value)
        if isinstance(value, str)
        else ""
        if value is None
        else number_words.numeral(value, spec)
    )


@register.filter
def places(value, most: int = 1) -> str:
    """A number with so many decimals at most. Nothing for None."""
    return units.format_number(value, most)


@register.filter(is_safe=True)
def in_sentence(text) -> str:
    """A sentence the site has ready, its figures with the reader's decimal mark."""
    return number_words.in_sentence(str(text))


@register.filter
def share(fraction) -> str:
    """A fraction as percent."""
    return units.format_share(fraction)
