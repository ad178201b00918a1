from django.db.models import Count, QuerySet, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.models import Dig, Zone
from prospecting.tables.ground import DigTable
from trials.charts.grade import grade_over_time
from trials.frames.results import zone_grade


@page(role="guest")
def zone_detail(request: HttpRequest, pk: int) -> HttpResponse:
    """A zone, its digs, and its grade over time from pans and assays."""
    zone = get_object_or_404(Zone.objects.select_related("claim"), pk=pk)
    member = request.user
    grade = zone_grade(zone, grade_unit=member.grade_unit, mass_unit=member.mass_unit)
    table = DigTable(_digs_of(zone), mass_unit=member.mass_unit, exclude=("zone",))
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return render(
        request,
        "trials/zone_detail.html",
        {
            "zone": zone,
            "grade": grade,
            "chart": grade_over_time(
                grade.results,
                grade_unit=member.grade_unit,
                label=f"Grade of {zone.name} over time, pans and assays",
            )
            if grade.results
            else None,
            "table": table,
            "crumbs": [
                ("Ground", reverse("zone-list")),
                (zone.claim.name, zone.claim.get_absolute_url()),
                (zone.name, ""),
            ],
        },
    )


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
