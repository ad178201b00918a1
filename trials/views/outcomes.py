"""All outcomes of a closed trial beside the one it was planned for."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from prospecting.access import page
from trials.charts.outcomes import DotChart, DotRow, dot_chart
from trials.frames.outcomes import outcomes_of
from trials.models import Trial


@page(role="guest")
def trial_outcomes(request: HttpRequest, pk: int) -> HttpResponse:
    """Only of a closed trial: before that the runs' keys are hidden, and looking earlier misleads."""
    trial = get_object_or_404(Trial.objects.for_detail(), pk=pk)
    if trial.state != Trial.State.CLOSED:
        return render(request, "trials/trial_outcomes.html", {"trial": trial})
    found = outcomes_of(trial, request.user)
    return render(
        request,
        "trials/trial_outcomes.html",
        {
            "trial": trial,
            "found": found,
            "sections": [(section, drawn(section.chart)) for section in found.sections],
        },
    )


def drawn(chart: dict | None) -> DotChart | None:
    if chart is None:
        return None
    return dot_chart(**(chart | {"rows": [DotRow(**row) for row in chart["rows"]]}))
