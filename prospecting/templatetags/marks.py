"""Which marks of contamination reach a lot. Asks the database only about lots that are flagged."""

import datetime

from django import template

from prospecting.models import Contamination, Lot

register = template.Library()


@register.simple_tag
def marks_on(lot: Lot, drawn_on: datetime.date | None = None):
    """The standing marks that reach a lot, or what was drawn of it that day; each with the lot it stands on."""
    return Contamination.objects.reaching([(lot.pk, drawn_on)] if lot.is_marked else [])
