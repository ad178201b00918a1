from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django_tables2 import RequestConfig

from prospecting.access import page
from prospecting.actions import assays
from prospecting.forms.assays import (
    ChooseReadingForm,
    DispatchForm,
    FileReturnForm,
    LaboratoryForm,
    TypedReturnForm,
    UploadForm,
)
from prospecting.models import AssayReturn, Dispatch, Laboratory, Sample
from prospecting.tables.assays import DispatchTable, LaboratoryTable
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
    if response := enter(request, form, lambda: assays.add_laboratory(**form.entry(), recorded_by=request.user)):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Laboratories", reverse("laboratory-list")), ("Add", "")]
    return render(request, "prospecting/laboratory_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_list(request):
    table = DispatchTable(Dispatch.objects.with_state().select_related("laboratory").order_by("-sent_on", "-pk"))
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "prospecting/dispatch_list.html", {"table": table})


@page(role="member", methods=("GET", "POST"))
def dispatch_add(request):
    form = DispatchForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: assays.send_dispatch(**form.entry(), recorded_by=request.user),
        said="Recorded. Write each tag on its bag now, and nothing else.",
    ):
        return response
    crumbs = [("Assays", reverse("dispatch-list")), ("Send samples", "")]
    return render(request, "prospecting/dispatch_add.html", {"form": form, "crumbs": crumbs})


@page(role="guest")
def dispatch_detail(request, pk):
    dispatch = get_object_or_404(Dispatch.objects.with_state().select_related("laboratory", "recorded_by"), pk=pk)
    return render(
        request,
        "prospecting/dispatch_detail.html",
        {
            "dispatch": dispatch,
            "samples": dispatch.samples.with_value().with_reading_counts(),
            "returns": dispatch.returns.without_file().with_reading_count(),
            "crumbs": [("Assays", reverse("dispatch-list")), (f"Dispatch {pk}", "")],
        },
    )


@page(role="member", methods=("GET", "POST"))
def return_type(request, pk):
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    form = TypedReturnForm(request.POST or None, member=request.user, dispatch=dispatch)
    if response := enter(
        request, form, lambda: assays.store_return(dispatch=dispatch, **form.entry(), recorded_by=request.user)
    ):
        return response
    return render(
        request,
        "prospecting/return_type.html",
        {"dispatch": dispatch, "form": form, "crumbs": _crumbs(dispatch, "Type a return in")},
    )


@page(role="member", methods=("GET", "POST"))
def return_read(request, pk):
    """Two steps under one address: the upload, then (the address names the file's hash) its preview and storing."""
    dispatch = get_object_or_404(Dispatch.objects.select_related("laboratory"), pk=pk)
    sha256 = request.GET.get("file")
    return _preview(request, dispatch, sha256) if sha256 else _upload(request, dispatch)


def _upload(request, dispatch):
    form = UploadForm(request.POST or None, request.FILES or None, member=request.user)
    known = None
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            sha256 = assays.hold_file(upload=upload, held_by=request.user)
        except ValidationError as error:
            form.add_refusal(error)
            known = getattr(error, "record", None)
        else:
            query = QueryDict(mutable=True)
            query.update({"file": sha256, "name": upload.name})
            return redirect(f"{request.path}?{query.urlencode()}")
    return render(
        request,
        "prospecting/return_read.html",
        {"dispatch": dispatch, "form": form, "known": known, "crumbs": _crumbs(dispatch, "Read a file")},
    )
