from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions import dispatching
from prospecting.forms.dispatching import DispatchForm, LaboratoryForm
from prospecting.models import Dispatch, Laboratory
from prospecting.tables.dispatching import DispatchTable, LaboratoryTable
from prospecting.views.entry import enter


@page(role="guest")
def laboratory_list(request):
    table = LaboratoryTable(Laboratory.objects.with_dispatch_count().order_by("name"))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    crumbs = [("Assays", reverse("dispatch-list")), ("Laboratories", "")]
    return render(request, "prospecting/laboratory_list.html", {"table": table, "crumbs": crumbs})


@page(role="member", methods=("GET", "POST"))
def laboratory_add(request):
    form = LaboratoryForm(request.POST or None, member=request.user)
    if response := enter(
        request, form, lambda: dispatching.add_laboratory(**form.entry(), recorded_by=request.user)
    ):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Laboratories", reverse("laboratory-list")), ("Add", "")]
    return render(request, "prospecting/laboratory_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_list(request):
    table = DispatchTable(
        Dispatch.objects.with_state().select_related("laboratory").order_by("-sent_on", "-pk")
    )
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "prospecting/dispatch_list.html", {"table": table})


@page(role="member", methods=("GET", "POST"))
def dispatch_add(request):
    form = DispatchForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: dispatching.send_dispatch(**form.entry(), recorded_by=request.user),
        said="Recorded. Write each tag on its bag now, and nothing else.",
    ):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Send samples", "")]
    return render(request, "prospecting/dispatch_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_detail(request, pk):
    dispatch = get_object_or_404(
        Dispatch.objects.with_state().select_related("laboratory", "recorded_by"), pk=pk
    )
    return render(
        request,
        "prospecting/dispatch_detail.html",
        {
            "dispatch": dispatch,
            "samples": dispatch.samples.with_value().with_reading_counts().order_by("tag"),
            "returns": dispatch.returns.without_file().with_reading_count().order_by("reported_on", "pk"),
            "crumbs": [("Assays", reverse("dispatch-list")), (f"Dispatch {pk}", "")],
        },
    )
