import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from operator import attrgetter

import django_tables2 as tables
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Claim, Dig, Zone
from prospecting.tables.base import FileColumn, ListTable

NUMBER = {"td": {"class": "num"}, "th": {"class": "num"}}


class DigTable(ListTable):
    """Digs, newest first; `bucket_count` and `mass_g` are annotations of the query, masses in the reader's unit."""

    dug_on = tables.DateColumn(
        verbose_name=gettext_lazy("Day"), format="d M Y", linkify=True, attrs={"td": {"class": "lead"}}
    )
    station = tables.Column(verbose_name=gettext_lazy("Station"))
    zone = tables.Column(
        verbose_name=gettext_lazy("Zone"), linkify=True, order_by=("zone__claim__name", "zone__name")
    )
    sample_kind = tables.Column(verbose_name=gettext_lazy("Sample"))
    bucket_count = tables.Column(verbose_name=gettext_lazy("Buckets"), attrs=NUMBER)
    mass_g = tables.Column(verbose_name=gettext_lazy("Mass"), attrs=NUMBER)
    digger = tables.Column(verbose_name=gettext_lazy("Digger"))

    class Meta:
        model = Dig
        fields = ("dug_on", "station", "zone", "sample_kind", "bucket_count", "mass_g", "digger")
        empty_text = gettext_lazy("No dig is like that. Take a filter away to see more.")

    def __init__(self, *args, mass_unit: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.mass_unit = mass_unit

    def render_dug_on(self, record: Dig, value: datetime.date) -> str:
        day = date_format(value, "d M Y")
        return phrase("{day}, voided", day=day) if record.step.is_void else day

    def render_zone(self, value: Zone):
        return format_html(
            '<span class="swatch stripe-{}"></span>{}: {}', value.stripe, value.claim.name, value.name
        )

    def render_sample_kind(self, record: Dig) -> str:
        return short_kind(record)

    def render_mass_g(self, value: Decimal) -> str:
        return units.format_mass(value, self.mass_unit)

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Day", attrgetter("dug_on")),
            ("Station", attrgetter("station")),
            ("Claim", attrgetter("zone.claim.name")),
            ("Zone", attrgetter("zone.name")),
            ("Kind of sample", short_kind),
            ("Buckets", attrgetter("bucket_count")),
            ("Mass (g)", attrgetter("mass_g")),
            ("Digger", attrgetter("digger")),
            ("Voided", attrgetter("step.is_void")),
        ]


@dataclass(frozen=True)
class ClaimCard:
    """A claim of the Ground page with its zones (each with `dig_count` and `last_dug_on`)."""

    claim: Claim
    zones: list[Zone]
    # The nearest of its dates to keep (frames.claim_dates.DateToKeep), for who may see it.
    next_date: object | None


def claim_cards(claims: list[Claim], zones: list[Zone], next_dates: Mapping[int, object]) -> list[ClaimCard]:
    return [
        ClaimCard(
            claim=claim,
            zones=[zone for zone in zones if zone.claim_id == claim.pk],
            next_date=next_dates.get(claim.pk),
        )
        for claim in claims
    ]


def short_kind(dig: Dig) -> str:
    """The kind of sample without its explanation."""
    return dig.get_sample_kind_display().partition(" (")[0]


def width_words(dig: Dig, mass_unit: str) -> str:
    """A width as it was typed, and what that is: in inches for who weighs in pounds, in centimetres for others."""
    if dig.width_cm is None:
        return ""
    meant = f"{numeral(dig.width_cm.normalize(), 'f')} cm"
    if mass_unit == "lb":
        inches = units.convert_length(dig.width_cm, "cm", "inch").quantize(Decimal("0.1")).normalize()
        meant = f"{numeral(inches, 'f')} in"
    return meant if meant == dig.width_typed else f"{dig.width_typed} ({meant})"


def depth_words(dig: Dig, mass_unit: str) -> str:
    """A depth as it was typed, and what that is in feet for who weighs in pounds, in metres for others."""
    if dig.depth_m is None:
        return ""
    if not dig.depth_m:
        return phrase("at the surface")
    meant = f"{numeral(dig.depth_m.normalize(), 'f')} m"
    if mass_unit == "lb":
        meant = f"{numeral(units.convert_length(dig.depth_m, 'm', 'ft').quantize(Decimal('0.1')).normalize(), 'f')} ft"
    return meant if meant == dig.depth_typed or not dig.depth_typed else f"{dig.depth_typed} ({meant})"
