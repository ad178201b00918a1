from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.models import Lot
from trials.charts.protocol import protocol_chart
from trials.forms.sampling import SamplingForm, units_typed
from trials.frames.sampling_plan import known_of, sampling_plan


@page(role="guest")
def lot_sampling(request: HttpRequest, code: str) -> HttpResponse:
    """What chance does to portions of a lot, and which stage of crushing and splitting gives most of it."""
    lot = get_object_or_404(Lot.objects.standing().select_related("made_by"), code=code)
    typed_in = units_typed(request.GET, request.user)
    units = {"mass_unit": request.user.mass_unit, "grade_unit": request.user.grade_unit}
    known = known_of(lot, **typed_in)
    form = SamplingForm(request.GET, member=request.user, start=known.start)
    plan = sampling_plan(**form.values(), **units) if form.is_valid() else None
    chart = protocol_chart(plan.protocol.stages) if plan and plan.protocol else None
    return render(
        request,
        "trials/lot_sampling.html",
        {
            "lot": lot,
            "known": known,
            "form": form,
            "typed_in": typed_in,
            "plan": plan,
            "chart": chart,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Sampling plan"), ""),
            ],
        },
    )
