"""Additives and their prices."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.views.entry import Change, enter
from prospecting.views.list_file import list_file
from trials.actions.additives import add_additive, change_additive
from trials.filters.additives import AdditiveFilter
from trials.forms.additives import AdditiveForm, typed_before
from trials.models import Additive
from trials.tables.additives import AdditiveTable


@page(role="guest")
def additive_list(request: HttpRequest) -> HttpResponse:
    filters = AdditiveFilter(request, Additive.objects.all())
    table = RequestConfig(request).configure(AdditiveTable(filters.qs, request=request))
    return list_file(request, table, "additives") or render(
        request, "trials/additive_list.html", {"table": table, "filters": filters}
    )


@page(role="member", methods=("GET", "POST"))
def additive_add(request: HttpRequest) -> HttpResponse:
    form = AdditiveForm(request.POST or None, member=request.user)
    if response := enter(
        request, form, lambda: add_additive(**form.fields_typed(), recorded_by=request.user)
    ):
        return response
    return render(request, "trials/additive_form.html", {"form": form})


@page(role="member", methods=("GET", "POST"))
def additive_edit(request: HttpRequest, pk: int) -> HttpResponse:
    additive = get_object_or_404(Additive, pk=pk)
    form = AdditiveForm(request.POST or None, member=request.user, initial=typed_before(additive))

    def make() -> Additive:
        return change_additive(additive=additive, **form.fields_typed(), recorded_by=request.user)

    if response := enter(request, form, make, said=phrase("Changed."), change=Change(additive, typed_before)):
        return response
    return render(request, "trials/additive_form.html", {"form": form, "additive": additive})
