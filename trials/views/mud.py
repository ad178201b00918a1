"""Settled mud panned for its gold: of a run's tub, of a tub of a clearing test, and its correction."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.views.entry import Change, enter
from trials.actions import mud
from trials.forms.mud import CorrectMudForm, MudForm, tub_mud_start
from trials.forms.runs import panned_again_before, panned_again_start
from trials.models import Run, SettledMud, Tub


@page(role="member", methods=("GET", "POST"))
def run_mud(request: HttpRequest, pk: int) -> HttpResponse:
    """Of a run's tub. As long as the run's block is open nothing here, or behind it, names the treatment."""
    run = get_object_or_404(Run.objects.for_detail(), pk=pk)
    if request.method == "GET" and hasattr(run, "settled_mud"):
        return redirect("mud-correct", pk=run.settled_mud.pk)
    form = MudForm(request.POST or None, member=request.user, run=run, initial=panned_again_start(run))

    def make() -> SettledMud:
        return mud.log_run_mud(run=run, mud=form.found(), recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("The gold of the mud is kept.")):
        return response
    return render(request, "trials/mud_form.html", {"form": form, "run": run})


@page(role="member", methods=("GET", "POST"))
def tub_mud(request: HttpRequest, pk: int) -> HttpResponse:
    """Of a tub of a clearing test."""
    tub = get_object_or_404(Tub.objects.select_related("test", "additive", "settled_mud"), pk=pk)
    if request.method == "GET" and hasattr(tub, "settled_mud"):
        return redirect("mud-correct", pk=tub.settled_mud.pk)
    form = MudForm(request.POST or None, member=request.user, tub=tub, initial=tub_mud_start(tub))

    def make() -> SettledMud:
        return mud.log_tub_mud(tub=tub, mud=form.found(), recorded_by=request.user)

    said = phrase("The gold of the mud of {tub} is kept.", tub=tub)
    if response := enter(request, form, make, said=said, then=tub.test.get_absolute_url()):
        return response
    return render(request, "trials/mud_form.html", {"form": form, "tub": tub})


@page(role="member", methods=("GET", "POST"))
def mud_correct(request: HttpRequest, pk: int) -> HttpResponse:
    kept = get_object_or_404(SettledMud.objects.select_related("tub__test", "tub__additive"), pk=pk)
    run = Run.objects.for_detail().get(pk=kept.run_id) if kept.run_id else None
    form = CorrectMudForm(
        request.POST or None,
        member=request.user,
        run=run,
        tub=kept.tub,
        initial=panned_again_before(kept),
    )

    def make() -> SettledMud:
        reason = form.cleaned_data["reason"]
        return mud.correct_mud(kept=kept, mud=form.found(), reason=reason, recorded_by=request.user)

    said = phrase("Corrected. What stood there before is in the journal.")
    then = kept.tub.test.get_absolute_url() if kept.tub else ""
    if response := enter(
        request,
        form,
        make,
        said=said,
        then=then,
        change=Change(kept, panned_again_before, run or kept.tub.test),
    ):
        return response
    return render(request, "trials/mud_form.html", {"form": form, "run": run, "tub": kept.tub})
