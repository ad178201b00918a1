from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.actions.contamination import lift_mark, mark_lot
from prospecting.calc.language import phrase
from prospecting.forms.contamination import LiftMarkForm, MarkForm
from prospecting.models import Contamination, Lot
from prospecting.views.entry import enter


@page(role="member", methods=("GET", "POST"))
def lot_mark(request: HttpRequest, code: str) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.standing().select_related("made_by"), code=code)
    form = MarkForm(request.POST or None, member=request.user)

    def make() -> Lot:
        return mark_lot(lot=lot, **form.values(), recorded_by=request.user).lot

    said = phrase("Marked. Whatever was made from it carries the mark.")
    if response := enter(request, form, make, said=said):
        return response
    return render(
        request,
        "prospecting/lot_mark.html",
        {
            "lot": lot,
            "form": form,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Mark"), ""),
            ],
        },
    )


@page(role="member", methods=("GET", "POST"))
def mark_lift(request: HttpRequest, pk: int) -> HttpResponse:
    mark = get_object_or_404(Contamination.objects.select_related("lot__made_by", "recorded_by"), pk=pk)
    form = LiftMarkForm(request.POST or None, member=request.user)

    def make() -> Lot:
        return lift_mark(mark=mark, reason=form.cleaned_data["reason"], lifted_by=request.user).lot

    if response := enter(request, form, make, said=phrase("The mark is lifted.")):
        return response
    return render(
        request,
        "prospecting/mark_lift.html",
        {
            "mark": mark,
            "lot": mark.lot,
            "form": form,
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (mark.lot.code, mark.lot.get_absolute_url()),
                (phrase("Lift the mark"), ""),
            ],
        },
    )
