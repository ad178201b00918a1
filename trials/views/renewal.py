"""Enough left of a lot, its renewal, and setting trials on different lots side by side."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.models import Lot
from prospecting.views.entry import enter
from trials.actions.renewal import plan_bridge
from trials.charts.verdict import Row, verdict_chart
from trials.forms.renewal import AcrossForm, BridgeForm, WantedForm
from trials.frames.bridges import across
from trials.frames.renewal import BRIDGE_FACTOR, renewal_of
from trials.frames.stock import FEWEST_BLOCKS, rate_of, stock_of
from trials.models import NO_TEST_LOTS, Trial


def crumbs_to(lot: Lot, last: str) -> list[tuple[str, str]]:
    return [(phrase("Lots"), reverse("lot-list")), (lot.code, lot.get_absolute_url()), (last, "")]


@page(role="guest")
def lot_left(request: HttpRequest, code: str) -> HttpResponse:
    """Portions still to be had, who needs them, and when they run out."""
    lot = get_object_or_404(Lot.objects.standing(), code=code)
    stock = stock_of(lot, request.user.mass_unit)
    return render(
        request,
        "trials/lot_left.html",
        {
            "lot": lot,
            "stock": stock,
            "rate": rate_of(stock),
            "bridge_portions": FEWEST_BLOCKS,
            "crumbs": crumbs_to(lot, phrase("Enough left")),
        },
    )


@page(role="member")
def lot_renew(request: HttpRequest, code: str) -> HttpResponse:
    """What to blend so that a new lot resembles this one, and the bridge that is to join them."""
    lot = get_object_or_404(Lot.objects.standing().exclude(kind__in=NO_TEST_LOTS), code=code)
    form = WantedForm(request.GET or None, member=request.user)
    wanted_g = form.cleaned_data["mass"].canonical if form.is_valid() else lot.mass_g
    return render(
        request,
        "trials/lot_renew.html",
        {
            "lot": lot,
            "form": form,
            "renewal": renewal_of(lot, wanted_g, request.user.mass_unit),
            "bridge_portions": FEWEST_BLOCKS,
            "bridge_factor": BRIDGE_FACTOR,
            "crumbs": crumbs_to(lot, phrase("Renew")),
        },
    )


@page(role="member", methods=("GET", "POST"))
def lot_bridge(request: HttpRequest, code: str) -> HttpResponse:
    """Plan bridging runs from this lot to a newer one."""
    lot = get_object_or_404(Lot.objects.standing().exclude(kind__in=NO_TEST_LOTS), code=code)
    last = Trial.objects.filter(feed_lot=lot).select_related("feed_lot").first()
    form = BridgeForm(
        request.POST or None,
        member=request.user,
        old_lot=lot,
        initial=BridgeForm.starting_with(request.GET, last),
    )

    def make() -> Trial:
        return plan_bridge(old_lot=lot, **form.fields_typed(), recorded_by=request.user)

    said = phrase("The draft of the bridging runs is kept. See what it could show, then fix its plan.")
    if response := enter(request, form, make, said=said):
        return response
    return render(
        request,
        "trials/lot_bridge.html",
        {
            "lot": lot,
            "form": form,
            "stock": stock_of(lot, request.user.mass_unit),
            "bridge_portions": FEWEST_BLOCKS,
            "crumbs": crumbs_to(lot, phrase("Bridging runs")),
        },
    )


@page(role="guest")
def trial_across(request: HttpRequest) -> HttpResponse:
    """Two closed trials on one footing, over the bridge between their lots, or why not."""
    asked = AcrossForm.asked(request.GET)
    # With one trial only, from its verdict, the other is still to be chosen.
    form = AcrossForm(asked if len(asked) == 2 else None, initial=asked)
    if not form.is_valid():
        return render(request, "trials/trial_across.html", {"form": form})
    found = across(form.cleaned_data["first"], form.cleaned_data["second"], request.user)
    chart = verdict_chart(
        [Row(**row) for row in found.picture],
        caption=phrase("times the first trial's control"),
        title=phrase("What each treatment gave, on one footing"),
        description=phrase("The same figures stand in the table below."),
        margin_ratio=float(found.first.smallest_ratio),
        below_text=phrase("none"),
    )
    return render(request, "trials/trial_across.html", {"form": form, "found": found, "chart": chart})
