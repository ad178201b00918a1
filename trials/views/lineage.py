from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.models import Dig, Lot, Zone
from prospecting.views.list_file import list_file
from trials.charts.lineage import lineage_chart
from trials.filters.lineage import GroundLotFilter
from trials.frames.lineage import lineage_of, lots_ever_of_dig, lots_ever_of_zone, row_keys, walks_of
from trials.tables.lineage import GroundLotTable, dig_rows

ROWS = 30


@page(role="guest")
def lot_lineage(request: HttpRequest, code: str) -> HttpResponse:
    """A lot's whole family, drawn and as a table."""
    lot = get_object_or_404(Lot.objects.select_related("made_by"), code=code)
    member = request.user
    way = request.GET.get("way", "")
    way = way if way in ("back", "on") else ""
    walks = walks_of(lot)
    rows = Paginator(row_keys(walks, way), ROWS).get_page(request.GET.get("page"))
    lineage = lineage_of(walks, keys=rows.object_list, grade_unit=member.grade_unit)
    origins = lot.origins.select_related("dig__zone__claim")
    return render(
        request,
        "trials/lot_lineage.html",
        {
            "lot": lot,
            "back": walks.back,
            "onward": walks.onward,
            "lineage": lineage,
            "chart": lineage_chart(
                lineage.groups,
                lineage.flows,
                mass_unit=member.mass_unit,
                label=phrase("The way of every gram of {lot}, top to bottom", lot=lot.code),
            ),
            "by_dig": dig_rows(origins),
            "page": rows,
            "way": way,
            "asked": bool(way or request.GET.get("page")),
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Lineage"), ""),
            ],
        },
    )


@page(role="guest")
def dig_lots(request: HttpRequest, pk: int) -> HttpResponse:
    dig = get_object_or_404(Dig.objects.with_ground(), pk=pk)
    zone = dig.zone
    crumbs = [
        (phrase("Ground"), reverse("zone-list")),
        (zone.name, zone.get_absolute_url()),
        (phrase("Dig {number}", number=dig.pk), dig.get_absolute_url()),
        (phrase("Its lots"), ""),
    ]
    return _lots_of_ground(request, lots_ever_of_dig(dig), ground=str(dig), crumbs=crumbs)


@page(role="guest")
def zone_lots(request: HttpRequest, pk: int) -> HttpResponse:
    zone = get_object_or_404(Zone.objects.select_related("claim"), pk=pk)
    crumbs = [
        (phrase("Ground"), reverse("zone-list")),
        (zone.name, zone.get_absolute_url()),
        (phrase("Its lots"), ""),
    ]
    return _lots_of_ground(
        request, lots_ever_of_zone(zone), ground=phrase("zone {zone}", zone=zone.name), crumbs=crumbs
    )


def _lots_of_ground(
    request: HttpRequest, lots: QuerySet[Lot], *, ground: str, crumbs: list[tuple[str, str]]
) -> HttpResponse:
    filters = GroundLotFilter(request, lots)
    table = GroundLotTable(filters.qs, mass_unit=request.user.mass_unit)
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return list_file(request, table, "lots-of-ground") or render(
        request,
        "trials/ground_lots.html",
        {
            "ground": ground,
            "table": table,
            "filters": filters,
            "crumbs": crumbs,
        },
    )
