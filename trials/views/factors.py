"""Treatments made many at a time: all combinations of a few factors, or a ladder of doses."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.views.entry import enter
from trials.actions import factors
from trials.forms.factors import FactorsForm, LadderForm
from trials.forms.planning import PlainForm
from trials.models import Trial
from trials.views.planning import plan_stands


@page(role="member", methods=("GET", "POST"))
def factorial_add(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial, pk=pk)
    if response := plan_stands(request, trial):
        return response
    form = FactorsForm(request.POST or None, member=request.user)

    def make() -> Trial:
        return factors.make_factorial(trial=trial, factors=form.factors, recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("All combinations are treatments now.")):
        return response
    return render(request, "trials/factor_form.html", {"trial": trial, "form": form})


@page(role="member", methods=("GET", "POST"))
def factorial_remove(request: HttpRequest, pk: int) -> HttpResponse:
    trial = get_object_or_404(Trial, pk=pk)
    if response := plan_stands(request, trial):
        return response
    form = PlainForm(request.POST or None, member=request.user)

    def make() -> Trial:
        return factors.remove_factorial(trial=trial, recorded_by=request.user)

    if response := enter(
        request, form, make, said=phrase("Removed, the factors with all their combinations.")
    ):
        return response
    return render(request, "trials/factor_remove.html", {"trial": trial, "form": form})


@page(role="member", methods=("GET", "POST"))
def ladder_add(request: HttpRequest, pk: int) -> HttpResponse:
    """First the doses to look at, asked for by GET; then the button that makes them treatments."""
    trial = get_object_or_404(Trial, pk=pk)
    if response := plan_stands(request, trial):
        return response
    form = LadderForm(request.POST or None, member=request.user, trial=trial)

    def make() -> Trial:
        return factors.add_ladder(trial=trial, rungs=form.treatments(), recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("The ladder's doses are treatments now.")):
        return response
    asked = request.POST or (request.GET if "lowest" in request.GET else None)
    look = LadderForm(asked, member=request.user, trial=trial, asked=True)
    rows = look.rows() if look.is_bound and look.is_valid() else []
    return render(
        request, "trials/ladder_form.html", {"trial": trial, "form": form, "look": look, "rows": rows}
    )
