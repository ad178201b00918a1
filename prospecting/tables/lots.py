from operator import attrgetter

import django_tables2 as tables
from django.utils.html import format_html
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.models import Lot
from prospecting.tables.base import FileColumn, ListTable


class LotTable(ListTable):
    """Lots, newest first; masses in the reader's unit."""

    code = tables.Column(
        verbose_name=gettext_lazy("Code"), linkify=True, attrs={"td": {"class": "lead code"}}
    )
    kind = tables.Column(verbose_name=gettext_lazy("Kind"))
    title = tables.Column(verbose_name=gettext_lazy("What it is"), orderable=False)
    on_hand_g = tables.Column(
        verbose_name=gettext_lazy("On hand"), attrs={"td": {"class": "num"}, "th": {"class": "num"}}
    )
    stripe = tables.Column(verbose_name=gettext_lazy("Zone stripe"), orderable=False)

    class Meta:
        model = Lot
        fields = ("code", "kind", "title", "on_hand_g", "stripe")
        empty_text = gettext_lazy("No lot is like that. Take a filter away to see more.")

    def __init__(self, *args, mass_unit: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.mass_unit = mass_unit

    def render_on_hand_g(self, record: Lot) -> str:
        return units.format_mass(record.on_hand_g, self.mass_unit) if record.on_hand_g else phrase("used up")

    def render_kind(self, value: str, record: Lot) -> str:
        return phrase("{kind}, contamination marked", kind=value) if record.is_marked else value

    def render_stripe(self, value: str):
        return format_html('<span class="swatch stripe-{}"></span>{}', value, stripe_words(value))

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Lot", attrgetter("code")),
            ("Kind", Lot.get_kind_display),
            ("Contamination marked", attrgetter("is_marked")),
            ("What it is", attrgetter("title")),
            ("Mass when made (g)", attrgetter("mass_g")),
            ("On hand (g)", attrgetter("on_hand_g")),
            ("Dry", attrgetter("is_dry")),
            ("Top size (µm)", attrgetter("top_size_um")),
            ("Zone stripe", lambda lot: stripe_words(lot.stripe)),
        ]


def stripe_words(stripe: str) -> str:
    if stripe == "mixed":
        return phrase("several zones")
    return phrase("none") if stripe == "none" else phrase("stripe {letter}", letter=stripe.upper())
