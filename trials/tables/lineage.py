"""Every lot that ever held material of a dig or a zone, and the digs of a lot, each leading there."""

from collections.abc import Iterable
from dataclasses import replace
from operator import attrgetter

import django_tables2 as tables
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.ancestry import part_g
from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Lot, Origin
from prospecting.tables.base import FileColumn, ListTable
from prospecting.tables.steps import ShareRow, share_rows

NUMBER = {"td": {"class": "num"}, "th": {"class": "num"}}


class GroundLotTable(ListTable):
    """Lots with their `share` of the ground asked about, and counts of pans, trials and samples made on them."""

    code = tables.Column(
        verbose_name=gettext_lazy("Lot"), linkify=True, orderable=False, attrs={"td": {"class": "lead code"}}
    )
    kind = tables.Column(verbose_name=gettext_lazy("Kind"), orderable=False)
    share = tables.Column(verbose_name=gettext_lazy("Share"), orderable=False, attrs=NUMBER)
    made = tables.Column(
        verbose_name=gettext_lazy("Of it when made"), accessor="mass_g", orderable=False, attrs=NUMBER
    )
    on_hand = tables.Column(
        verbose_name=gettext_lazy("Of it on hand"), accessor="on_hand_g", orderable=False, attrs=NUMBER
    )
    done = tables.Column(verbose_name=gettext_lazy("Done with it"), empty_values=(), orderable=False)

    class Meta:
        model = Lot
        fields = ("code", "kind", "share", "made", "on_hand", "done")
        empty_text = gettext_lazy("No lot is like that.")

    def __init__(self, *args, mass_unit: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.mass_unit = mass_unit

    def render_share(self, value) -> str:
        return units.format_share(value)

    def render_made(self, record: Lot) -> str:
        return units.format_mass(part_g(record.mass_g, record.share), self.mass_unit)

    def render_on_hand(self, record: Lot) -> str:
        if not record.on_hand_g:
            return phrase("used up")
        return units.format_mass(part_g(record.on_hand_g, record.share), self.mass_unit)

    def render_done(self, record: Lot) -> str:
        said = [
            (record.trial_count, phrase_counted("{number} trial", "{number} trials", record.trial_count)),
            (record.pan_count, phrase_counted("{number} pan", "{number} pans", record.pan_count)),
            (
                record.sample_count,
                phrase_counted("{number} assay sample", "{number} assay samples", record.sample_count),
            ),
        ]
        return ", ".join(words for number, words in said if number) or phrase("nothing")

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Lot", attrgetter("code")),
            ("Kind", Lot.get_kind_display),
            ("Share", attrgetter("share")),
            ("Of it when made (g)", lambda lot: part_g(lot.mass_g, lot.share)),
            ("Of it on hand (g)", lambda lot: part_g(lot.on_hand_g, lot.share)),
            ("Trials", attrgetter("trial_count")),
            ("Pans", attrgetter("pan_count")),
            ("Assay samples", attrgetter("sample_count")),
        ]


def dig_rows(origins: Iterable[Origin]) -> list[ShareRow]:
    """A bar for each dig of a lot, largest first, leading to everything that ever held material of it."""
    held = list(origins)
    return [
        replace(row, url=reverse("dig-lots", args=[origin.dig_id]))
        for origin, row in zip(held, share_rows(held), strict=True)
    ]
