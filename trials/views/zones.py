from dataclasses import dataclass

from django.db.models import Count, QuerySet, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.template.loader import render_to_string
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_result
from prospecting.models import Dig, Member, Zone
from prospecting.tables.ground import DigTable
from trials.charts.grade import grade_chart
from trials.charts.zones import zone_dots
from trials.forms.zones import CompareForm
from trials.frames.zone_comparison import DEFAULT_MARGIN, MOST_ZONES, compare, zones_to_compare
from trials.frames.zone_grade import ALONG, DAY, grade_from
from trials.frames.zone_rows import ZoneRows, rows_of_zone, rows_of_zones


@dataclass(frozen=True)
class Written:
    """A zone's reading as it is kept, and whether there was anything to read."""

    html: str
    has_results: bool


@page(role="guest")
def zone_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """A zone, its grade along time, depth or stations from pans and assays, and its digs."""
    zone = get_object_or_404(Zone.objects.select_related("claim"), pk=pk)
    asked = request.GET.get("along", DAY)
    table = DigTable(_digs_of(zone), mass_unit=request.user.mass_unit, exclude=("zone",))
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return render(
        request,
        "trials/zone_detail.html",
        {
            "zone": zone,
            "reading": kept_reading(zone, request.user, asked if asked in ALONG else DAY),
            "table": table,
            "crumbs": [
                (phrase("Ground"), reverse("zone-list")),
                (zone.claim.name, zone.claim.get_absolute_url()),
                (zone.name, ""),
            ],
        },
    )


def kept_reading(zone: Zone, member: Member, along: str) -> Written:
    """Reckoned and written out once for each state of the zone's records; reading it back loads no statistics."""
    rows = rows_of_zone(zone)
    hangs_on = (rows.sha256, zone.pk, zone.name, member.grade_unit, member.mass_unit, along)
    return kept_result("zone", hangs_on, lambda: written_out(zone, rows, member, along))


def written_out(zone: Zone, rows: ZoneRows, member: Member, along: str) -> Written:
    grade = grade_from(rows, zone.name, grade_unit=member.grade_unit, mass_unit=member.mass_unit, along=along)
    chart = None
    if grade.picture:
        label = phrase("Grade of {zone} {along}, pans and assays", zone=zone.name, along=ALONG[along])
        chart = grade_chart(grade.picture, grade_unit=member.grade_unit, label=label)
    context = {"grade": grade, "chart": chart, "ways": ALONG.items()}
    return Written(render_to_string("trials/_zone_reading.html", context), bool(grade.results))


def _digs_of(zone: Zone) -> QuerySet[Dig]:
    """The zone's standing digs, newest first, with `bucket_count` and their `mass_g` as weighed that day."""
    digs = (
        Dig.objects.with_ground()
        .select_related("step")
        .standing()
        .filter(zone=zone)
        .order_by("-dug_on", "-pk")
    )
    return digs.annotate(bucket_count=Count("step__made"), mass_g=Sum("step__made__mass_g"))


@page(role="guest")
def zone_compare(request: HttpRequest) -> HttpResponse:
    """Zones set side by side by their independent digs; the reader types from which ratio on a difference matters."""
    zones = zones_to_compare()
    context = {"crumbs": [(phrase("Ground"), reverse("zone-list")), (phrase("Compare zones"), "")]}
    if len(zones) < 2:
        return render(request, "trials/zone_compare.html", context | {"only": zones[0] if zones else None})
    form = CompareForm(
        request.GET, zones=zones, chosen=zones[:MOST_ZONES], margin=DEFAULT_MARGIN, most=MOST_ZONES
    )
    html = ""
    if form.is_valid():
        html = kept_comparison(
            form.cleaned_data["zone"], form.cleaned_data["margin"], request.user.grade_unit
        )
    return render(request, "trials/zone_compare.html", context | {"form": form, "html": html})


def kept_comparison(zones: list[Zone], margin: float, grade_unit: str) -> str:
    of_zones = rows_of_zones(zones)
    rows = [of_zones[zone.pk] for zone in zones]
    told = [
        (zone.pk, zone.name, zone.claim.name, zone.stripe, each.sha256)
        for zone, each in zip(zones, rows, strict=True)
    ]
    return kept_result(
        "zones-compared",
        (told, margin, grade_unit),
        lambda: compared(zones, rows, margin, grade_unit),
    )


def compared(zones: list[Zone], rows: list[ZoneRows], margin: float, grade_unit: str) -> str:
    groups = compare(zones, rows, margin, grade_unit)
    drawn = [(group, zone_dots(group.dots, grade_unit=grade_unit)) for group in groups]
    return render_to_string("trials/_zone_comparison.html", {"groups": drawn})
