from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.models import Lot
from trials.charts.recovery import recovery_chart
from trials.forms.recovery import RecoveryForm
from trials.forms.sampling import units_typed
from trials.frames.recovery import balance, books_of


@page(role="guest")
def lot_recovery(request: HttpRequest, code: str) -> HttpResponse:
    """Recovery of gold into the concentrate by each route, for one run of the lot or all together."""
    lot = get_object_or_404(Lot.objects.standing().select_related("made_by"), code=code)
    typed_in = units_typed(request.GET, request.user)
    units = {"mass_unit": request.user.mass_unit, "grade_unit": request.user.grade_unit}
    books = books_of(lot, request.GET.get("run", ""), **typed_in)
    form = RecoveryForm(request.GET, member=request.user, start=books.start)
    found = balance(**form.values(), books=books, **units) if form.is_valid() else None
    return render(
        request,
        "trials/lot_recovery.html",
        {
            "lot": lot,
            "books": books,
            "form": form,
            "typed_in": typed_in,
            "balance": found,
            "chart": recovery_chart([*found.routes, *filter(None, [found.account])]) if found else None,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Recovery balance"), ""),
            ],
        },
    )
