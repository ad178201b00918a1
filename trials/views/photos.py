"""The photos of a block, side by side at one scale, once its key is open."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from prospecting.access import page
from trials.charts.photos import side_by_side
from trials.models import Judging, Run, Trial


@page(role="member")
def block_photos(request: HttpRequest, pk: int, number: int) -> HttpResponse:
    trial = get_object_or_404(Trial.objects.select_related("feed_lot"), pk=pk)
    block = get_object_or_404(trial.blocks, number=number)
    # Not "block": inside a template's block that is the block itself.
    shown = {"of_block": block, "trial": trial}
    if block.closed_at is None:
        # Of an open block nothing is even read.
        return render(request, "trials/block_photos.html", shown)
    runs = Run.objects.for_detail().filter(planned__block=block, photo__isnull=False)
    # The control first, as its trial lists them; the same treatment's pans beside each other.
    order = ("-planned__treatment__is_control", "planned__treatment__position", "planned__run_order")
    return render(
        request,
        "trials/block_photos.html",
        shown
        | {
            "pictures": side_by_side(runs.order_by(*order)),
            "without": block.planned_runs.filter(run__photo__isnull=True).count(),
            "judgings": Judging.objects.filter(block=block, photo__isnull=False).select_related(
                "judge", "photo"
            ),
        },
    )
