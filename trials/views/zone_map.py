"""Where a claim was dug, as a sketch of our own. Positions are for members: no guest, no cache of a phone."""

from collections.abc import Mapping

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.kept_results import kept_results
from prospecting.models import Claim
from trials.charts.zone_map import MapPoint, ZoneMap, zone_map
from trials.frames.zone_map import PANS, SHOWN, ClaimMap, map_of, own_values
from trials.frames.zone_rows import ZoneRows

# Digs on one page of the list; the sketch shows them all.
MOST_LISTED = 100


@page(role="member")
def claim_map(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    show = request.GET.get("show", PANS)
    show = show if show in SHOWN else PANS
    zones = list(claim.zones.all())
    asked = request.GET.get("zone", "")
    only = next((zone for zone in zones if str(zone.pk) == asked), None)
    found = map_of(
        claim,
        only,
        show,
        request.user.grade_unit,
        in_feet=request.user.mass_unit == "lb",
        values_of=_kept_values,
    )
    return render(
        request,
        "trials/claim_map.html",
        {
            "claim": claim,
            "found": found,
            "listed": Paginator(found.digs, MOST_LISTED).get_page(request.GET.get("page")),
            "drawn": _drawn(found, claim) if found.digs else None,
            "show": show,
            "zones": zones,
            "only": only,
            "shown": SHOWN.items(),
            "crumbs": [
                (phrase("Ground"), reverse("zone-list")),
                (claim.name, claim.get_absolute_url()),
                (phrase("Sketch"), ""),
            ],
        },
    )


def _drawn(found: ClaimMap, claim: Claim) -> ZoneMap:
    points = [
        MapPoint(
            zone=each.dig.zone.name,
            stripe=each.dig.zone.stripe,
            station=each.dig.station,
            g_per_t=each.g_per_t,
            is_below=each.is_below,
            words=each.grade_text or phrase("no result of its own"),
        )
        for each in found.digs
    ]
    return zone_map(
        found.flat,
        points,
        in_feet=found.in_feet,
        label=phrase("Where {claim} was dug, north up", claim=claim.name),
    )


def _kept_values(rows: Mapping[int, ZoneRows], kind: str) -> dict[int, dict]:
    return kept_results(
        "own-values-of-digs",
        {zone: (each.sha256, kind) for zone, each in rows.items()},
        lambda missing: {zone: own_values(rows[zone], kind) for zone in missing},
    )
