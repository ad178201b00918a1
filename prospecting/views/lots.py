from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions.lots import describe_lot
from prospecting.forms.lots import FindForm, LotFilterForm, LotNoteForm
from prospecting.models import Lot
from prospecting.tables.lots import LotTable
from prospecting.views.entry import enter


@page(role="guest")
def lot_list(request: HttpRequest) -> HttpResponse:
    return _lot_list(request, find=FindForm())


@page(role="guest")
def lot_find(request: HttpRequest) -> HttpResponse:
    find = FindForm(request.GET)
    if found := find.lot():
        return redirect(found)
    return _lot_list(request, find=find)


def _lot_list(request: HttpRequest, *, find: FindForm) -> HttpResponse:
    filters = LotFilterForm(request.GET or None)
    table = LotTable(filters.narrowed(Lot.objects.standing()), mass_unit=request.user.mass_unit)
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    return render(
        request,
        "prospecting/lot_list.html",
        {
            "table": table,
            "find": find,
            "filters": filters,
            "narrowed": filters.is_narrowing(),
            "any_lots": table.rows or Lot.objects.standing().exists(),
        },
    )


@page(role="member", methods=("GET", "POST"))
def lot_note(request: HttpRequest, code: str) -> HttpResponse:
    lot = get_object_or_404(Lot.objects.standing(), code=code)
    stands = {"title": lot.title, "place": lot.place, "note": lot.note}
    form = LotNoteForm(request.POST or None, member=request.user, initial=stands)
    if response := enter(
        request, form, lambda: describe_lot(lot=lot, **form.values(), recorded_by=request.user)
    ):
        return response
    return render(
        request,
        "prospecting/lot_note.html",
        {
            "lot": lot,
            "form": form,
            "crumbs": [("Lots", reverse("lot-list")), (lot.code, lot.get_absolute_url()), ("Describe", "")],
        },
    )
