from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.frames.custody import held_lots
from prospecting.models import JournalEntry, Lot, Step
from prospecting.tables.steps import share_rows
from prospecting.views.steps import REPEATED
from trials.frames.journal_lines import hide_open_keys
from trials.frames.lineage import family_of
from trials.frames.results import MOST_RUNS, beside_assay, readings_of, runs_of, samples_waiting
from trials.frames.stock import stock_of
from trials.models import PlannedRun, Trial
from trials.tables.shares import claim_rows, zone_rows

LATEST_LINES = 20


@page(role="guest")
def lot_detail(request: HttpRequest, code: str) -> HttpResponse:
    """A lot's tag, where it came from, what became of it, and what its pans and assays say."""
    lot = get_object_or_404(
        Lot.objects.select_related("made_by__recorded_by", "made_by__voided_by"), code=code
    )
    member = request.user
    family = family_of(lot)
    origins = list(lot.origins.select_related("dig__zone__claim"))
    runs = runs_of(family.alike)
    return render(
        request,
        "trials/lot_detail.html",
        {
            "lot": lot,
            "step": lot.made_by,
            "planned": PlannedRun.objects.open().blind().select_related("trial").filter(portion=lot).first(),
            "held": held_lots([lot]),
            "may_repeat": member.can_write and lot.made_by.kind in REPEATED and not lot.is_void,
            "trials": Trial.objects.filter(Q(feed_lot=lot) | Q(new_lot=lot)),
            "stock": stock_of(lot, member.mass_unit),
            "by_dig": share_rows(origins),
            "by_zone": zone_rows(origins),
            "by_claim": claim_rows(origins),
            "family": family,
            "beside": beside_assay(family.alike, grade_unit=member.grade_unit, mass_unit=member.mass_unit),
            "runs": runs[:MOST_RUNS],
            "more_runs": len(runs) > MOST_RUNS,
            "readings": readings_of(family.alike),
            "samples_waiting": samples_waiting(family.alike),
            "journal": _journal_of(lot) if member.can_write else [],
            "crumbs": [(phrase("Lots"), reverse("lot-list")), (lot.code, "")],
        },
    )


def _journal_of(lot: Lot) -> list[JournalEntry]:
    """The newest lines about the lot and about the step that made it."""
    about = JournalEntry.objects.about(lot) | JournalEntry.objects.about(lot.made_by)
    lines = list(about.select_related("member")[:LATEST_LINES])
    if lot.made_by.kind == Step.Kind.RECOVER:
        hide_open_keys(lines)
    return lines
